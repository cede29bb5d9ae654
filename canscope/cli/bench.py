"""Open the page for before, during and after a bench test, in the browser of this computer."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command
from canscope.model.errors import CanscopeError, Where

if TYPE_CHECKING:
    from canscope.bench.place import Place

EXAMPLE = "canscope bench vehicles/bramble --plan bench.toml"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "bench", __doc__, EXAMPLE)
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path(),
        metavar="FOLDER",
        help="plans, captures and runs of the vehicle; the page reads and writes nothing outside "
        "it (default: this folder)",
    )
    parser.add_argument("--plan", type=Path, help="the bench plan to begin with")
    parser.add_argument("--port", type=int, default=8413, help="default: 8413; 0 takes a free one")
    parser.add_argument(
        "--listen-on",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="let other computers open the page at this address of this computer; what that means "
        "is printed (default: 127.0.0.1, this computer alone)",
    )
    parser.add_argument(
        "--largest-upload-mb",
        type=float,
        default=1024.0,
        metavar="MB",
        help="the largest file that the page takes (default: 1024)",
    )
    parser.add_argument("--open", action="store_true", help="open the page in the browser as well")


def run(args: argparse.Namespace) -> int:
    """Serve until Ctrl-C; 0."""
    try:
        from canscope.bench.serve import serve
    except ImportError as error:
        hint = "install it with: pip install 'canscope[bench]'"
        raise CanscopeError(f"the page needs {error.name}", hint=hint) from error
    folder = args.folder.resolve()
    if not folder.is_dir():
        hint = "name a folder that is there: canscope bench FOLDER"
        raise CanscopeError("this is no folder", where=Where(str(args.folder)), hint=hint)
    serve(
        folder,
        host=args.listen_on,
        port=args.port,
        plan=_plan_in(folder, args.plan),
        largest_upload=round(args.largest_upload_mb * 2**20),
        ready=lambda place: _greet(place, opened=args.open),
    )
    return 0


def _plan_in(folder: Path, plan: Path | None) -> str:
    """The plan by its name in the folder. Raises CanscopeError if it is not in there."""
    if plan is None:
        return ""
    for path in (plan.resolve(), (folder / plan).resolve()):
        if path.is_file() and path.is_relative_to(folder):
            return path.relative_to(folder).as_posix()
    hint = f"name a plan inside {folder}, or the folder that the plan is in"
    raise CanscopeError("there is no such plan in the folder", where=Where(str(plan)), hint=hint)


def _greet(place: Place, *, opened: bool) -> None:
    """Print the link, and before it what it means if others can reach it."""
    from canscope.bench.serve import EXPOSED

    if place.host not in ("127.0.0.1", "::1", "localhost"):
        print(EXPOSED.format(host=place.host, folder=place.folder))
    print(f"open this link in a browser:\n\n  {place.url}\n", flush=True)
    print("Ctrl-C ends the page; a run that is being recorded goes on.", flush=True)
    if opened:
        import webbrowser

        webbrowser.open(place.url)
