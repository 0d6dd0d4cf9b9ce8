"""What the command chart does."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from geometry.errors import Fault, Faults, InputError
from geometry.exchange.design_files import is_design_file
from geometry.exchange.lines import open_line
from geometry.exchange.project import open_project
from geometry.exchange.rules_files import read_limits
from geometry.exchange.survey_files import survey_paths
from geometry.exchange.writing import one_piece
from viewer.chart_data import PANELS, panels_of
from viewer.charts import chart_figure, save_chart
from viewer.cli.options import OK
from viewer.running import check_of, kept, place_on, warn
from viewer.terminal import Progress

__all__ = ["run_chart"]

_OF_LINE = PANELS[:3]


def run_chart(
    project: Path, alignment_name: str | None, picture: Path, shown: Sequence[str], speed: float | None,
    start: str | None, end: str | None,
) -> int:  # fmt: skip
    """Draw charts along the line."""
    files = kept(project, (project,), (picture,))
    if picture.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError([Fault("--picture", "a name that ends in .png, .svg, .pdf", str(picture))])
    with Progress("drawing"):
        line = open_line(project, alignment_name)
        warn(line.warnings, line.notes)
        from_file = is_design_file(project)
        read = None if from_file else open_project(project)
        check = None
        if read is not None and survey_paths(project) and ("deviations" in shown or not shown):
            survey, check = check_of(read, (), None)
            warn(survey.warnings)
        wanted = list(shown) or [p for p in PANELS if p in _OF_LINE or (read and (p != "deviations" or check))]
        lacking = [p for p in wanted if (p not in _OF_LINE and read is None) or (p == "deviations" and check is None)]
        if lacking:
            why = "slabs, which a designer's file has not" if read is None else "a survey in PROJECT/survey"
            raise InputError([Fault("--show", f"for {' and '.join(lacking)} {why}", "none")])
        faults = Faults()
        limits = read_limits(project, faults)
        low = 0.0 if start is None else place_on(line.count, read, start, "--from", faults)
        high = line.alignment.length if end is None else place_on(line.count, read, end, "--to", faults)
        faults.stop_if_any()
        if not high - low > 1.0:
            raise InputError([Fault("--from and --to", "places at least 1 m apart, in order", f"{high - low:.3f} m")])
        panels = panels_of(line.alignment, wanted, (low, high), project=read, check=check, speed=speed, limits=limits)
        # a line without structures is one span that nobody has to see
        structures = [] if read is None else [(s.name, s.kind, s.start, s.end) for s in read.spans if s.kind != "line"]
        made = f"from {', '.join(line.inputs)}"
        figure = chart_figure(panels, line.count, (low, high), line.name, made, structures)
        with one_piece(picture, files) as file, tempfile.TemporaryDirectory() as folder:
            draft = Path(folder) / f"chart{picture.suffix.lower()}"
            save_chart(figure, draft)
            file.write(draft.read_bytes())
    sys.stderr.write(f"{picture}\n")
    return OK
