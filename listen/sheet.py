"""The engine sheet: a TOML file read and checked."""

import tomllib
from pathlib import Path

from analysis.engine import Engine, engine_from
from listen.errors import BadInput
from listen.paths import StrPath


def read_sheet(path: StrPath) -> Engine:
    """Read an engine sheet.

    Parameters
    ----------
    path : str or path
        A TOML file.

    Returns
    -------
    Engine

    Raises
    ------
    BadInput
        If it cannot be read, is not TOML, or a figure is wrong; the message names file and key.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as trouble:
        raise BadInput(f"cannot read the sheet {path}: {trouble.strerror or trouble}") from None
    except UnicodeDecodeError:
        raise BadInput(f"the sheet {path.name} is not text in UTF-8") from None
    return parse_sheet(text, path.name)


def parse_sheet(text: str, name: str) -> Engine:
    """Read the text of a sheet; see `read_sheet`.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What messages call the file.

    Raises
    ------
    BadInput
        As `read_sheet` does.
    """
    try:
        return engine_from(tomllib.loads(text))
    except tomllib.TOMLDecodeError as trouble:
        raise BadInput(f"the sheet {name} is not TOML: {trouble}") from None
    except RecursionError:
        raise BadInput(f"the sheet {name} is nested too deeply to be a sheet") from None
    except ValueError as trouble:
        raise BadInput(f"the sheet {name}: {trouble}") from None
