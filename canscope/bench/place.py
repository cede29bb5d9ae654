"""Where the page works: one folder, one address, one token."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from canscope.model.errors import CanscopeError, Where

HOME = "127.0.0.1"
LARGEST_UPLOAD = 1 << 30  # bytes; larger captures are put into the folder, and picked there
HIDDEN = "."  # no file whose name begins so is listed or opened


class OutsideError(CanscopeError):
    """A path leads out of the folder, to a hidden file, or to nothing."""


@dataclass(frozen=True)
class Place:
    """What every part of the page is given. ``folder`` is absolute and free of links."""

    folder: Path
    port: int
    host: str
    token: str = field(repr=False)
    largest_upload: int = LARGEST_UPLOAD
    plan: str = ""  # that was named when the page was started, relative to the folder

    @property
    def hosts(self) -> frozenset[str]:
        """What a browser may call this server: any other name was given to it by a stranger."""
        names = {self.host} if self.host != HOME else {HOME, "localhost"}
        written = {f"[{name}]" if ":" in name else name for name in names}
        return frozenset(f"{name}:{self.port}" for name in written)

    @property
    def url(self) -> str:
        """The address that opens the page, once; the token is not in any later one."""
        name = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{name}:{self.port}/?token={self.token}"

    def inside(self, name: str) -> Path:
        """The path of a file or folder by its name relative to the folder, links resolved.

        Raises OutsideError if it lies outside, is hidden, or is not there.
        """
        path = self.new(name)
        if not path.exists():
            raise OutsideError("there is no such file", where=Where(name), hint="pick another one")
        return path

    def new(self, name: str) -> Path:
        """Such a path, whether something is there or not. Raises OutsideError."""
        hint = "name a file or folder inside the one that the page was started for"
        if not name or any(ord(c) < 32 for c in name):
            raise OutsideError("that is no name of a file", where=Where(repr(name)), hint=hint)
        path = (self.folder / name).resolve()
        parts = path.relative_to(self.folder).parts if path.is_relative_to(self.folder) else ("..",)
        if not parts or any(part.startswith(HIDDEN) for part in parts):
            raise OutsideError("this is not inside the folder", where=Where(name), hint=hint)
        return path

    def name_of(self, path: Path) -> str:
        """The name of a path relative to the folder, as ``inside`` takes it."""
        return path.relative_to(self.folder).as_posix()
