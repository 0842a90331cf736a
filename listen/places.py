"""Where the program keeps what it must remember: the user's data folder.

The environment variable THIRDEAR_HOME names another folder.
"""

import os
from pathlib import Path

import platformdirs


def home() -> Path:
    """Return the program's folder; it need not be there yet."""
    return Path(os.environ.get("THIRDEAR_HOME") or platformdirs.user_data_dir("thirdear"))
