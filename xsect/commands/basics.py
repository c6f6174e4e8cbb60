"""What all commands share: exit statuses, kinds of values, and the one line of a run that cannot go on."""

from __future__ import annotations

import datetime as dt
import math
import os
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from rich.console import Console

DONE: Final = 0
NOT_ALL_ACCEPTED: Final = 1
COULD_NOT_RUN: Final = 2
NOBODY_READS: Final = 141
"""What a shell tells of any command whose reader has gone: 128 + SIGPIPE."""

PATH: Final = click.Path(path_type=Path)
"""A path that the library itself checks, so that its own one line says what is wrong."""
DAY: Final = click.DateTime(["%Y-%m-%d"])
_PIPED_WIDTH: Final = 120


class Number(click.FloatRange):
    """A number within limits; infinity and "not a number" are none."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number, or say what is wrong with it."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number", param, ctx)
        return number


def day(given: dt.datetime | None) -> dt.date:
    """Return the day of an option, today where it was left out."""
    return given.date() if given else dt.date.today()


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def terminal() -> Console:
    """Return stdout for tables; piped, they are wider than the 80 columns that would be taken for granted."""
    from rich.console import Console

    return Console(width=None if sys.stdout.isatty() else _PIPED_WIDTH, highlight=False)


class CouldNotRun(click.ClickException):
    """A run that cannot start or go on: the message alone goes to stderr, the exit status is 2."""

    exit_code = COULD_NOT_RUN

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the message, which names the file and the rule itself, without signs that steer a terminal."""
        from xsect.report.wording import printable

        click.echo(printable(self.message), file=file or sys.stderr)


class Commands(click.Group):
    """A group of commands whose failures all end with status 2, so that 1 keeps its one meaning."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        """Read the command line; its --help prints."""
        with _while_somebody_reads():
            return super().make_context(info_name, args, parent, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command."""
        try:
            with _while_somebody_reads():
                return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit):
            raise
        except (KeyboardInterrupt, click.Abort):
            raise CouldNotRun("stopped") from None
        except Exception:
            traceback.print_exc()
            sys.exit(COULD_NOT_RUN)


@contextmanager
def _while_somebody_reads() -> Iterator[None]:
    """End without a word where whoever reads the output stops reading, as `head` does."""
    try:
        yield
    except BaseException as error:
        # Rich ends the program itself, and commands tell of any OSError in a line: both while they handle this one.
        if not isinstance(error, BrokenPipeError) and not isinstance(error.__context__, BrokenPipeError):
            raise
        # What is still to be written would be complained about when Python ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(NOBODY_READS)
