"""A small process beside the watching one: it cries STOP when that one says nothing any more.

It also owns the loudspeaker. Whatever looks for a sound library or plays a tone happens in it,
never in a process that records or judges. ``python -m canscope.live.watching.watchdog FD`` reads
lines: ``word READY``, ``play stop``, ``end``; it writes to the file descriptor FD, which is the
person's terminal.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canscope.live.watching.sound import Sound

LOOK_S = 5.0  # how long looking for an audio device may take
SILENT_S = 0.45  # of the watching process; what it shows is then no longer true
AGAIN_S = 1.0  # between two cries
TRUSTED = ("READY", "TURNING")  # words on which somebody relies
NO_ANSWER = f"looking for an audio device took longer than {LOOK_S:g} s"
STANDS = "the watching process stands still (suspended, or starved): nobody judges"
DIED = "the watching process died: nobody judges, and the recording ends"


class Watchdog:
    """The watching process's hand on it; without Python's own streams it still works."""

    def __init__(self) -> None:
        screen = os.dup(1)
        # Without a path no compiler can be found: Python's search for a library would run one.
        environment = {**os.environ, "PATH": os.devnull}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canscope.live.watching.watchdog", str(screen)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # sound libraries are talkative
            env=environment,
            start_new_session=True,  # what suspends the watching process leaves it running
            pass_fds=(screen,),
        )
        os.close(screen)
        self._process.wait()  # what stays is its child
        self._silent_why: str | None = None

    @property
    def silent_why(self) -> str:
        """Why there is no sound; empty where there is. Waits for the answer the first time."""
        if self._silent_why is None:
            assert self._process.stdout is not None
            ready = select.select([self._process.stdout], [], [], LOOK_S)[0]
            said = self._process.stdout.readline().decode() if ready else NO_ANSWER
            self._silent_why = said.strip()
        return self._silent_why

    def tell(self, word: str) -> None:
        """What the person sees now; this has to come again and again."""
        self._say(f"word {word}")

    def play(self, kind: str) -> None:
        """Sound one period of an alarm, ``stop`` or ``warn``; returns at once."""
        self._say(f"play {kind}")

    def end(self) -> None:
        """There is nothing to watch any more."""
        self._say("end")
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        with suppress(OSError, ValueError):  # it is gone; the picture goes on without it
            self._process.stdin.write(line.encode() + b"\n")
            self._process.stdin.flush()


class Guard:
    """What the process itself does."""

    def __init__(self, screen: int) -> None:
        self._screen = screen
        self._sound: Sound | None = None
        self._word, self._heard_s, self._cried_s = "", time.monotonic(), 0.0
        self._text = b""

    def run(self) -> None:
        """Until ``end``, or until the watching process is gone."""
        threading.Thread(target=self._look, daemon=True).start()
        while True:
            left_s = self._heard_s + SILENT_S - time.monotonic()
            if select.select([0], [], [], max(0.02, min(left_s, SILENT_S)))[0]:
                more = os.read(0, 4096)
                if not more:
                    self._cry(DIED)
                    return
                *lines, self._text = (self._text + more).split(b"\n")
                if b"end" in lines:
                    return
                for line in lines:
                    self._obey(line.decode())
            now_s = time.monotonic()
            silent = now_s - self._heard_s > SILENT_S
            if silent and self._word in TRUSTED and now_s - self._cried_s > AGAIN_S:
                self._cried_s = now_s
                self._cry(STANDS)

    def _look(self) -> None:
        """Look for a loudspeaker; a thread, because it may hang."""
        from canscope.live.watching.sound import Sound

        sound = Sound()
        os.write(1, sound.why_not.replace("\n", " ").encode() + b"\n")
        self._sound = sound

    def _obey(self, line: str) -> None:
        what, _, rest = line.partition(" ")
        if what == "word":
            self._word, self._heard_s = rest, time.monotonic()
        elif what == "play" and self._sound is not None:
            self._sound.play(rest)

    def _cry(self, why: str) -> None:
        if self._sound is not None:
            self._sound.play("stop")
        text = f"STOP watch: {why}\n"
        if os.isatty(self._screen) and os.environ.get("TERM", "dumb") != "dumb":
            text = f"\a\a\a\x1b[2J\x1b[H\x1b[1;37;41m  S T O P  \x1b[0m\r\n\r\n{text}\r\n"
        with suppress(OSError):  # nobody can see it; the tone goes on
            os.write(self._screen, text.encode())


def main() -> None:
    """The process: no child of the watching one, so that nothing that happens there ends it."""
    if os.fork():
        os._exit(0)
    Guard(int(sys.argv[1])).run()
    sys.stdout.flush()
    os._exit(0)  # a search for a loudspeaker that hangs ends here


if __name__ == "__main__":
    main()
