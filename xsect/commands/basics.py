"""What all commands share: exit statuses, paths, and the one line of a run that cannot go on."""

from __future__ import annotations

import sys
import traceback
from pathlib import Path
from typing import IO, Any, Final

import click

DONE: Final = 0
NOT_ALL_ACCEPTED: Final = 1
COULD_NOT_RUN: Final = 2

PATH: Final = click.Path(path_type=Path)
"""A path that the library itself checks, so that its own one line says what is wrong."""


class CouldNotRun(click.ClickException):
    """A run that cannot start or go on: the message alone goes to stderr, the exit status is 2."""

    exit_code = COULD_NOT_RUN

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the message, which names the file and the rule itself."""
        click.echo(self.message, file=file or sys.stderr)


class Commands(click.Group):
    """A group of commands whose failures all end with status 2, so that 1 keeps its one meaning."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit):
            raise
        except (KeyboardInterrupt, click.Abort):
            raise CouldNotRun("stopped") from None
        except Exception:
            traceback.print_exc()
            sys.exit(COULD_NOT_RUN)
