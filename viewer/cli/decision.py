"""Commands for the hour before injection."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import PROJECT, READINGS_OPTION, SURVEY_OPTIONS, file_only, out_options, with_options

__all__ = ["check"]


@click.command(short_help="Verdict of every slab and joint, and the moves that correct them.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@out_options("the verdict of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write deviation, residual and test of each corner as CSV.")  # fmt: skip
@click.option("--joints", "joint_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write steps and gaps of each joint as CSV.")  # fmt: skip
def check(**options: Any) -> int:
    """Compare surveyed corner points with the design: verdicts and corrections.

    \b
    Example:
      slabpose check demo_alignment --csv verdicts.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.check_command import run_check

    return run_check(**options)
