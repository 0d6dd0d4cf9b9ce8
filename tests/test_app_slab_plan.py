"""The plan of a slab in the browser app: up and down, left and right, and where no move may be made."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from app_pieces import all_text, edition_of, parsed
from project_copies import copy_of_demo

from viewer.app.book import Book, Edition
from viewer.app.slab_plan import plan_svg, planned, to_the_target
from viewer.app.slab_sheet import sheet_html
from viewer.colours import INK, PAPER


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    return edition_of(copy_of_demo(tmp_path_factory.mktemp("app")))


def test_plan_tells_every_move_of_the_check(edition: Edition) -> None:
    slab = edition.section.slab("Q0182")
    words = all_text(parsed(plan_svg(edition, slab, to_the_target(edition, slab))))
    moves = edition.check.moves
    for name, lift in zip(("RL", "RR", "FL", "FR"), (moves.lift[slab] * 1e3).tolist(), strict=True):
        assert name in words
        assert f"{abs(lift):.2f}" in words
    for push in (moves.push[slab] * 1e3).tolist():
        assert f"{abs(push):.2f}" in words


def test_plan_is_true_to_its_sides(edition: Edition) -> None:
    """Q0182 has to be lowered on the left and raised on the right, as the README's table of moves tells."""
    slab = edition.section.slab("Q0182")
    tree = parsed(plan_svg(edition, slab, to_the_target(edition, slab)))
    # filled triangles point up, open ones down
    triangles = [p for p in tree.iter("path") if re.match(r"M[\d.]+ [\d.]+h18L", p.get("d", ""))]
    assert len(triangles) == 4
    for path in triangles:
        x, foot, _, tip = (float(v) for v in re.findall(r"-?[\d.]+", path.get("d", "").replace("h18", " ")))
        rises = tip < foot
        assert rises == (x > 200)
        assert path.get("fill") == (INK if rises else PAPER)
    # a line from each box to its screw: ahead is up, left is left, and no line crosses the slab
    lines = [re.fullmatch(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", p.get("d", "")) for p in tree.iter("path")]
    ends = np.array([[float(v) for v in line.groups()] for line in lines if line])
    assert len(ends) == 4
    assert ((ends[:, 0] > 200) == (ends[:, 2] > 200)).all()
    middle = ends[:, 1].mean()
    assert ((ends[:, 1] > middle) == (ends[:, 3] > middle)).all()
    names = {t.text: float(t.get("x", "")) for t in tree.iter("text") if t.text in ("RL", "RR", "FL", "FR")}
    heights = {t.text: float(t.get("y", "")) for t in tree.iter("text") if t.text in names}
    assert names["FL"] == names["RL"] < 200 < names["FR"] == names["RR"]
    assert heights["FL"] == heights["FR"] < heights["RL"] == heights["RR"]
    arrows = [p.get("d", "") for p in tree.iter("path") if "H" in p.get("d", "")]
    pushes = [float(re.findall(r"H([\d.]+)", d)[0]) - float(re.findall(r"M([\d.]+)", d)[0]) for d in arrows]
    assert [np.sign(push) for push in pushes] == [1.0, 1.0]  # push R and F + to the right there


def test_plan_gives_no_move_where_none_may_be_made(edition: Edition, tmp_path: Path) -> None:
    slab = edition.section.slab("Q0160")
    words = all_text(parsed(plan_svg(edition, slab, to_the_target(edition, slab))))
    assert "no move:namescontradictplaces" in words  # in four lines: none reaches beyond the slab
    assert "mm" not in words
    injected = Book(copy_of_demo(tmp_path, injected=True))
    injected.look()
    after = injected.latest
    assert after is not None
    held = int(np.flatnonzero(after.check.held)[0])
    assert "heldbymortar" in all_text(parsed(plan_svg(after, held, to_the_target(after, held)))).replace(" ", "")


def test_planned_moves_are_those_of_the_plan(edition: Edition) -> None:
    """Coloured by planned moves the drawing shows these, not what leads to the target."""
    layer = edition.layers("move")[0]
    plan = edition.planning.plan
    assert (plan.push[plan.touched] != 0).any()
    for slab in np.flatnonzero(plan.touched).tolist():
        told = sheet_html(edition, layer, slab, lambda: None)
        assert "Planned moves" in told
        assert "Moves to the target" not in told
        drawing = re.search(r'<svg class="plan".*?</svg>', told)
        assert drawing is not None
        big = [t.text for t in parsed(drawing[0]).iter("text") if t.get("class") == "big"]
        moves = [*plan.lift[slab], *plan.push[slab]]
        assert sorted(big) == sorted("0" if move == 0 else f"{abs(1e3 * move):.2f}" for move in moves)
    still = edition.section.slab("Q0140")
    assert not plan.touched[still]
    assert set(planned(edition, still).lift.tolist()) == {0.0}
    assert planned(edition, edition.section.slab("Q0318")).refused == "not measured"  # as the README's table has it
    assert "3.35" in sheet_html(edition, edition.layers("up")[0], edition.section.slab("Q0137"), lambda: None)
