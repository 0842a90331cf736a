"""How long sound takes from the buzzer to the microphone.

What is heard at a time left the buzzer earlier by distance over speed: 2.9 ms a metre at 20
degrees Celsius. The speed depends on little but the temperature; moisture and pressure change it
by less than half a per cent (from memory), which the uncertainty of the temperature covers.

Sources
-------
ISO 9613-1:1993, *Attenuation of sound during propagation outdoors, part 1*, note to the definition
of the quantities: 343.2 m/s at the reference temperature of 293.15 K, going as the square root of
the absolute temperature. Uncertainties add as in JCGM 100:2008 (GUM), section 5.1.2.
"""

import math
from dataclasses import dataclass

REFERENCE_M_S = 343.2
REFERENCE_K = 293.15
TEMPERATURE_C = 20.0
"""A workshop, when nothing else is known."""
U_TEMPERATURE_K = 10.0
"""Standard uncertainty of the workshop's temperature."""
U_DISTANCE_M = 0.1
"""Standard uncertainty of a distance paced or judged by eye."""


@dataclass(frozen=True)
class SoundDelay:
    """How long the sound was under way.

    Attributes
    ----------
    seconds : float
    uncertainty_s : float
        One standard uncertainty.
    """

    seconds: float
    uncertainty_s: float


def speed_of_sound(temperature_c: float = TEMPERATURE_C) -> float:
    """Return the speed of sound in air in m/s.

    Parameters
    ----------
    temperature_c : float
        In degrees Celsius.

    Raises
    ------
    ValueError
        If the temperature is not that of air one can work in, -50 to 60.
    """
    if not -50.0 <= temperature_c <= 60.0:
        raise ValueError(f"air of {temperature_c:g} degrees Celsius: give -50 to 60")
    return REFERENCE_M_S * math.sqrt((temperature_c + 273.15) / REFERENCE_K)


def sound_delay(distance_m: float, temperature_c: float = TEMPERATURE_C) -> SoundDelay:
    """Return how long sound takes over a distance.

    Parameters
    ----------
    distance_m : float
        From buzzer to microphone, in metres, known to `U_DISTANCE_M`.
    temperature_c : float
        In degrees Celsius, known to `U_TEMPERATURE_K`.

    Raises
    ------
    ValueError
        If the distance is not a length from 0 to 100 m.
    """
    if not 0.0 <= distance_m <= 100.0:
        raise ValueError(f"a distance of {distance_m:g} m: give 0 to 100")
    seconds = distance_m / speed_of_sound(temperature_c)
    by_temperature = seconds * U_TEMPERATURE_K / (2 * (temperature_c + 273.15))
    by_distance = U_DISTANCE_M / speed_of_sound(temperature_c)
    return SoundDelay(seconds, math.hypot(by_distance, by_temperature))
