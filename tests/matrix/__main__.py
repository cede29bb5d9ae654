"""``python -m tests.matrix [WORD...]``: every run, or those whose name has one of the words.

Prints the table of faults against rules; ends with 1 if anything is not as it has to be.
"""

from __future__ import annotations

import os
import sys
from multiprocessing import Pool

from rich.progress import track

from tests.matrix.judging import judged
from tests.matrix.scenarios import scenarios
from tests.matrix.table import table


def main(words: list[str]) -> int:
    """Run, print, and say whether all is well."""
    chosen = [s for s in scenarios() if not words or any(word in s.name for word in words)]
    with Pool(os.cpu_count()) as pool:
        rows = list(track(pool.imap(judged, chosen, chunksize=4), total=len(chosen)))
    print(table(rows))
    return int(not rows or any(row.wrongs for row in rows))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
