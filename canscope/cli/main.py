"""The command ``canscope``: finds its verbs in this folder, one file each."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import traceback
from collections.abc import Sequence

from canscope import __version__

EPILOG = """exit codes: 0 pass, 1 fail, 2 input could not be used, 3 something required is unproven

canscope listens and judges. It never transmits on a bus and controls nothing: the emergency stop
stays in a human hand, and no CAN value proves that a circuit is dead."""


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
    from canscope.model import engine
    from canscope.model.errors import CanscopeError

    engine.announce = lambda text: print(f"canscope: {text}", file=sys.stderr)
    try:
        return int(importlib.import_module(f"canscope.cli.{verb.replace('-', '_')}").run(options))
    except CanscopeError as error:
        from canscope.report.wording import visible  # names in it may hold control characters

        print(f"canscope: {visible(error)}", file=sys.stderr)
    except MemoryError:
        hint = "close other programs, or raise the limit of memory (ulimit -v)"
        print(f"canscope: not enough memory\n  hint: {hint}", file=sys.stderr)
    except BrokenPipeError:
        sys.stderr.close()
    except Exception:  # a bug: 1, which Python would end with, is the verdict "fail"
        traceback.print_exc()
    except KeyboardInterrupt:
        print("canscope: stopped by the keyboard", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
