"""Passes bytes through a pseudo-terminal every 5 ms and notes how long that took; see ``Control``.

Runs with the priority of a recorder. At a line of input it prints, for every tenth of a second of
monotonic time, the longest time that a byte was late.
"""

import os
import pty
import select
import sys
import time
import tty

from canscope.live.recording.process import take_priority


def main():
    """Until there is a line of input."""
    take_priority()
    master, slave = pty.openpty()
    tty.setraw(slave)
    print("ready", flush=True)
    waited = {}
    while not select.select([sys.stdin], [], [], 0)[0]:
        begun = time.monotonic()
        time.sleep(0.005)
        os.write(master, b"x")
        os.read(slave, 1)
        late = time.monotonic() - begun - 0.005
        for tenth in range(int(begun * 10), int((begun + late) * 10) + 1):
            waited[tenth] = max(waited.get(tenth, 0.0), late)
    for tenth, late in waited.items():
        print(tenth, late)


if __name__ == "__main__":
    main()
