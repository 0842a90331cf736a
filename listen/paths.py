"""Paths: what names a file, and the folder where the program keeps what it must remember.

That is the user's data folder, or another that the environment variable THIRDEAR_HOME names.
"""

import os
from pathlib import Path

import platformdirs

StrPath = str | os.PathLike[str]


def home() -> Path:
    """Return the program's folder; it need not be there yet."""
    return Path(os.environ.get("THIRDEAR_HOME") or platformdirs.user_data_dir("thirdear"))
