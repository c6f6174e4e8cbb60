"""A program that keeps made-up sections in a store as fast as it can, and says so of each: there to be killed.

python -m tests.lots.writer STORE FIRST
"""

import sys
from itertools import count

from tests.lots.conftest import record, run_of
from xsect.lots.database import open_store
from xsect.lots.store import keep


def main(where: str, first: int) -> None:
    with open_store(where, create=True) as store:
        run = run_of(store)
        for number in count(first):
            keep(store, run, record(f"S{number}", width=1.0 + number), str(number))
            # one write to the pipe, so that no line is ever cut in two
            sys.stdout.write(f"{number}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
