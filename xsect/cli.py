"""Command line. Heavy libraries are imported by the commands when they run, so that --help stays quick."""

from __future__ import annotations

import click

import xsect
from xsect.commands.audit import audit
from xsect.commands.basics import Commands
from xsect.commands.calibrate import calibrate, calibrations
from xsect.commands.capability import capability
from xsect.commands.demo import demo
from xsect.commands.explain import explain
from xsect.commands.gauge import gauge
from xsect.commands.layer import layer
from xsect.commands.measure import measure
from xsect.commands.projection import projection
from xsect.commands.records import correct, export, import_, records
from xsect.commands.trend import trend
from xsect.commands.verify import verify


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(xsect.__version__, prog_name="xsect", message="%(prog)s %(version)s")
def main() -> None:
    """Measure weld cross-sections in calibrated micrographs, judge them, and write the report."""


for command in (
    measure, verify, audit, layer, calibrate, calibrations, records, correct, export, import_, trend, capability, gauge,
    projection, explain, demo,
):  # fmt: skip
    main.add_command(command)
