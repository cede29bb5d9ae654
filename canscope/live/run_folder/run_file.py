"""Reading, writing and completing run.toml; ``run_file_schema`` says what it holds."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from canscope.live.plain_data import WrongKindError, read_as
from canscope.live.run_folder.layout import RUN_FILE
from canscope.live.run_folder.run_file_schema import RunFile
from canscope.live.run_folder.toml import replace_file, toml_text
from canscope.model.errors import CanscopeError, Where


def read_run_file(folder: Path) -> RunFile | None:
    """What run.toml says; None if there is none.

    Raises CanscopeError if it is there and cannot be used: without what it says of the clock and
    of earlier runs, more would pass than may.
    """
    table = _read_table(folder / RUN_FILE)
    return _checked(table, folder / RUN_FILE) if table else None


def usable_run_file(folder: Path) -> RunFile | None:
    """What run.toml holds; None where there is none, or none that can be used."""
    try:
        return read_run_file(folder)
    except CanscopeError:
        return None


def write_run_file(folder: Path, run_file: RunFile) -> None:
    """Write run.toml anew. Raises OSError."""
    replace_file(folder / RUN_FILE, toml_text(asdict(run_file)))


def complete_run_file(folder: Path, more: Mapping[str, Any]) -> None:
    """Add tables, or replace them; what else a usable run.toml holds is kept. Raises OSError."""
    known = _read_table(folder / RUN_FILE) if usable_run_file(folder) else {}
    replace_file(folder / RUN_FILE, toml_text({**known, **more}))


def _read_table(path: Path) -> dict[str, Any]:
    try:
        if path.exists() and not path.is_file():
            raise ValueError("it is no plain file")  # a pipe would be waited for
        table = tomllib.loads(path.read_text("utf-8"))
        if not table:
            raise ValueError("it is empty, as a file may be after the power failed")
        return table
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise _unusable(f"cannot be read: {why}", path) from error


def _checked(table: dict[str, Any], path: Path) -> RunFile:
    try:
        run_file: RunFile = read_as(RunFile, table)
    except WrongKindError as error:
        raise _unusable(f"are not as they were written: {error}", path) from error
    return run_file


def _unusable(what: str, path: Path) -> CanscopeError:
    hint = "copy the whole run folder again, from where it was recorded"
    return CanscopeError(f"the papers of this run {what}", where=Where(str(path)), hint=hint)
