"""One layer of a small trained net: a convolution along time, whose taps may lie apart.

Conventions
-----------
A course is a row, and time runs along it. What lies beyond the ends is zero, so that each layer
gives as many values as it takes.

Sources
-------
F. Yu and V. Koltun, "Multi-scale context aggregation by dilated convolutions", ICLR (2016).
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def convolved(courses: Floats, weights: Floats, offsets: Floats, dilation: int = 1) -> Floats:
    """Return the courses through a layer.

    Parameters
    ----------
    courses : ndarray, shape (courses in, times)
        What the layer sees.
    weights : ndarray, shape (courses out, taps * courses in)
        All courses' first taps come first; there is an odd number of taps.
    offsets : ndarray, shape (courses out,)
        Added to each course.
    dilation : int
        Times from one tap to the next.

    Returns
    -------
    ndarray, shape (courses out, times)
    """
    count, times = courses.shape
    taps = weights.shape[1] // count
    reach = dilation * (taps // 2)
    padded = np.pad(courses, ((0, 0), (reach, reach)))
    shifted = [padded[:, k * dilation : k * dilation + times] for k in range(taps)]
    return np.asarray(weights @ np.concatenate(shifted) + offsets[:, None], dtype=np.float32)
