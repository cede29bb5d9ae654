"""The command ``canscope``: finds its verbs in this folder, one file each."""

from __future__ import annotations

import argparse
import contextlib
import errno
import importlib
import os
import sys
from collections.abc import Sequence

from canscope import __version__

EPILOG = """exit codes: 0 pass, 1 fail, 2 input could not be used, 3 something required is unproven

canscope listens and judges. It never transmits on a bus and controls nothing: the emergency stop
stays in a human hand, and no CAN value proves that a circuit is dead."""

# Of an output that cannot be written: full, over a quota or a limit, gone, closed.
UNWRITABLE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF}


def verbs() -> dict[str, str]:
    """Every verb and the first line of its file, without importing any of them."""
    folder = os.path.dirname(__file__)
    found = {}
    for name in sorted(os.listdir(folder)):
        stem, suffix = os.path.splitext(name)
        if suffix == ".py" and stem != "main" and not stem.startswith("_"):
            with open(os.path.join(folder, name), encoding="utf-8") as file:
                found[stem.replace("_", "-")] = file.readline().strip().strip('"')
    return found


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb. A mistake of the user is printed as a message, a bug keeps its traceback."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="canscope",
        description="Bench tests of converted vehicles: capture + signal definition + bench plan "
        "-> pass, fail or unproven.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"canscope {__version__}")
    subparsers = parser.add_subparsers(dest="verb", metavar="COMMAND", required=True)
    asked = next((word for word in arguments if not word.startswith("-")), None)
    for verb, summary in verbs().items():
        # Only the verb that is asked for is imported, so that help and explain start at once.
        if verb == asked:
            importlib.import_module(f"canscope.cli.{verb.replace('-', '_')}").add(subparsers)
        else:
            subparsers.add_parser(verb, help=summary, add_help=False)
    options = parser.parse_args(arguments)
    return _run(str(options.verb), options)


def _run(verb: str, options: argparse.Namespace) -> int:
    # Set before numpy is imported: its linear algebra would start a thread for every processor,
    # which costs more than all the small fits of a run together.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imported here, because help does not need it and has to start at once.
    from canscope.cli._streams import prepare_streams
    from canscope.model import engine
    from canscope.model.errors import CanscopeError

    prepare_streams()
    engine.announce = _complain
    try:
        os.getcwd()
    except OSError:
        _complain("the folder in which it was started is gone\n  hint: cd to another one")
        return 2
    try:
        code = int(importlib.import_module(f"canscope.cli.{verb.replace('-', '_')}").run(options))
        sys.stdout.flush()  # here a full disk is told; at the end of Python it is too late
        return code
    except CanscopeError as error:
        _complain(str(error))
    except MemoryError:
        hint = "close other programs, or raise the limit of memory (ulimit -v)"
        _complain(f"not enough memory\n  hint: {hint}")
    except BrokenPipeError:  # the program that reads it has what it wanted
        _discard_output()
    except SystemExit as stop:
        if not isinstance(stop.__context__, BrokenPipeError):
            raise
        _discard_output()  # rich ends with 1 here, which means fail
    except Exception as error:
        if isinstance(error, OSError) and error.errno in (errno.EMFILE, errno.ENFILE):
            hint = "close other programs, or raise the limit of open files (ulimit -n)"
            _complain(f"too many open files\n  hint: {hint}")
        elif reason := _unwritable(error):
            _discard_output()
            hint = "check the free space where it goes; exit code 2 says nothing about the vehicle"
            _complain(f"the output cannot be written: {reason}\n  hint: {hint}")
        else:  # a bug: 1, which Python would end with, is the verdict "fail"
            import traceback

            traceback.print_exc()
    except KeyboardInterrupt:
        _complain("stopped by the keyboard")
    return 2


def _unwritable(error: Exception) -> str:
    """Why a stream cannot be written, if the error tells of one and not of a file with a name."""
    if not isinstance(error, OSError) or error.filename is not None:
        return ""
    return (error.strerror or str(error)) if error.errno in UNWRITABLE else ""


def _complain(text: str) -> None:
    # Nobody is told that the place for complaints is full or closed; the exit code remains.
    from canscope.report.wording import visible

    with contextlib.suppress(OSError):
        print(f"canscope: {visible(text)}", file=sys.stderr)


def _discard_output() -> None:
    """Let what is still to be printed go nowhere, so that Python can end in peace."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


if __name__ == "__main__":
    sys.exit(main())
