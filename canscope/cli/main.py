"""The command ``canscope``: finds its verbs in this folder, one file each."""

from __future__ import annotations

import argparse
import ast
import importlib
import sys
from collections.abc import Sequence
from pathlib import Path

from canscope import __version__
from canscope.model.errors import CanscopeError

EPILOG = """exit codes: 0 pass, 1 fail, 2 input could not be used, 3 something required is unproven

canscope listens and judges. It never transmits on a bus and controls nothing: the emergency stop
stays in a human hand, and no CAN value proves that a circuit is dead."""


def verbs() -> dict[str, str]:
    """Every verb and the first sentence of its file, without importing any of them."""
    found = {}
    for path in sorted(Path(__file__).parent.glob("*.py")):
        if path.stem not in ("__init__", "main") and not path.stem.startswith("_"):
            text = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
            found[path.stem.replace("_", "-")] = text.partition("\n")[0]
    return found


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; what a user can mend is told without a traceback, a bug keeps its own."""
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
    try:
        module = importlib.import_module(f"canscope.cli.{options.verb.replace('-', '_')}")
        return int(module.run(options))
    except CanscopeError as error:
        print(f"canscope: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        sys.stderr.close()
        return 2
    except KeyboardInterrupt:
        print("canscope: stopped by the keyboard", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
