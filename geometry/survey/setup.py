"""A free set-up: where the instrument stands and how it is turned, how certain that is, and what does not fit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .adjustment import Adjustment, AdjustmentError, UndeterminedError, adjust, robust_unknowns, weighted_rows
from .diagnosis import POINT, READING, Cause, Evidence, causes, exchanged, likely
from .normal import Normal, SingularError
from .observations import KINDS, REFRACTION
from .readings import Control, Instrument, Sights
from .setup_advice import mirrored, remarks, undetermined
from .setup_result import FreeSetup, SetupFinding, SetupRows, ellipse
from .single_setup import Case, Cleared, Posed, rough

__all__ = ["free_setup"]

_MINOR = 4.0  # misfit per degree of freedom that is no more than a remainder
_FAULTS = 4  # faults that are looked for one after the other


def free_setup(
    sights: Sights, control: Control, instrument: Instrument, name: str = "1", weighted: bool = True,
    refraction: float = REFRACTION, grid_scale: float = 1.0,
) -> FreeSetup:  # fmt: skip
    """Return where an instrument stands from sights to control points.

    What does not fit is tested for likely causes, named, and taken out one after the other. In a set-up without
    faults something is named in about 2 of 1000 cases.

    Parameters
    ----------
    sights : Sights
        To control points; any mixture of directions, zenith angles and distances.
    control : Control
        `sights.target` counts in it.
    instrument : Instrument
    name : str
        For people.
    weighted : bool
        Let control points give way according to their sigmas; else they are held.
    refraction, grid_scale : float
        Coefficient k and grid length over true length.

    Raises
    ------
    SetupError
        If the sights do not determine the set-up: says what is not, and what to measure.

    Examples
    --------
    >>> marks = Control(("A", "B"), np.array([[10.0, 0.0, 5.0], [0.0, 20.0, 5.0]]), np.zeros((2, 3)))
    >>> seen = Sights.of([0, 1], [1.0, 1.0 + 1.5 * np.pi], [np.pi / 2] * 2, [10.0, 20.0])
    >>> one = free_setup(seen, marks, Instrument(), refraction=1.0)
    >>> bool(np.abs(one.position - [0, 0, 5]).max() < 1e-9), round(math.degrees(one.orientation + 1.0))
    (True, 90)
    """
    bad = (sights.target < 0) | (sights.target >= len(control))
    if bad.any():
        raise ValueError(f"sight {int(bad.argmax())} has no control point")
    case = Case(name, sights, control, instrument, weighted, refraction, grid_scale)
    cleared = Cleared(case.read, sights.target.copy())
    posed, answer = _solved(case, cleared)
    whole = cleared, posed, answer
    faults: list[Cause] = []
    while len(faults) < _FAULTS:
        cause = _cause(case, cleared, posed, answer)
        if cause is None:
            break
        try:
            after, solution = _solved(case, cause.cleared)
        except UndeterminedError:  # nothing would be left to stand on: it is told below, and stays in
            faults.append(cause)
            break
        faults.append(cause)
        cleared, posed, answer = cause.cleared, after, solution
    if len(faults) > 1 and answer is not None and answer.passes:
        faults, cleared, posed, answer = _reconsidered(case, faults, cleared, posed, answer)
    findings = [_finding(c) for c in faults]
    if answer is None or not answer.passes:
        if answer is None or not faults or answer.misfit > _MINOR * answer.freedom:
            # a few causes do not explain it: what was taken for one may be none
            cleared, posed, answer = whole
            findings = []
        guess = f"; the likeliest: {faults[0].text}" if faults and faults[0].passes else ""
        if answer is None:
            raise AdjustmentError(
                f"set-up {name}: the sights contradict each other grossly{guess or ': check the names of the points'}"
            )
        text = (
            f"the sights do not fit together (misfit {answer.misfit:.0f}, at most {answer.limit:.0f}) and no few "
            f"causes explain it: measure the set-up again{guess}"
        )
        findings.append(SetupFinding("unexplained", (), (), (), text, True))
    return _result(case, cleared, posed, answer, findings)


def _solved(case: Case, cleared: Cleared) -> tuple[Posed, Adjustment | None]:
    """Return the model and its least-squares solution; None where gross errors keep it from settling."""
    start = rough(case, cleared)
    if start is None or mirrored(case, cleared):
        raise undetermined(case, cleared, ())
    posed = Posed(case, cleared, start)
    try:
        return posed, adjust(posed.model, posed.model.start)
    except UndeterminedError as error:
        if _stands(posed):  # gross errors led the steps to where nothing is determined
            return posed, None
        raise undetermined(case, cleared, error.unknowns) from None
    except (AdjustmentError, ValueError):
        return posed, None


def _stands(posed: Posed) -> bool:
    """Whether the sights determine the set-up where most of them agree."""
    try:
        _, jacobian = posed.model.linearise(robust_unknowns(posed.model, posed.model.start))
        Normal(weighted_rows(jacobian, 1 / posed.model.sigma))
    except (SingularError, ValueError):
        return False
    return True


def _cause(case: Case, cleared: Cleared, posed: Posed, answer: Adjustment | None) -> Cause | None:
    if answer is not None and answer.freedom <= 0:
        return None
    if answer is not None:
        found = causes(case, cleared, Evidence(posed, answer.unknowns))
        if not found and answer.passes:
            return None
    # least squares has spread the error: judge from where most sights agree
    unknowns = robust_unknowns(posed.model, posed.model.start)
    evidence = Evidence(posed, unknowns)
    found = causes(case, cleared, evidence)
    names = {p for c in found if c.kind == POINT for p in c.points}
    suspects = [i for i in posed.known.tolist() if case.control.names[i] in names]
    if len(suspects) >= 2:
        swap = exchanged(case, cleared, evidence, unknowns, suspects)
        if swap is not None and (swap.passes or not found[0].passes):
            return swap
    return likely(found)


def _reconsidered(
    case: Case, faults: list[Cause], cleared: Cleared, posed: Posed, answer: Adjustment
) -> tuple[list[Cause], Cleared, Posed, Adjustment]:
    """Put the readings to each wrong control point back in, now that the other faults are out.

    Beside a gross error one wrong reading may look like a wrong point.
    """
    for i, fault in enumerate(faults):
        if fault.kind != POINT:
            continue
        point = list(case.control.names).index(fault.points[0])
        back = replace(cleared, use=cleared.use | (case.read & (cleared.target == point)[:, None]))
        try:
            again, _ = _solved(case, back)
        except UndeterminedError:
            continue
        first = likely(causes(case, back, Evidence(again, robust_unknowns(again.model, again.model.start))))
        if first is None or first.kind != READING or first.points != fault.points or not first.passes:
            continue
        after, solution = _solved(case, first.cleared)
        if solution is not None and solution.passes:
            faults = [*faults[:i], first, *faults[i + 1 :]]
            cleared, posed, answer = first.cleared, after, solution
    return faults, cleared, posed, answer


def _finding(cause: Cause) -> SetupFinding:
    return SetupFinding(
        cause.kind, cause.points, tuple(cause.size.tolist()), tuple(cause.sigma.tolist()), cause.text, True
    )


def _result(case: Case, cleared: Cleared, posed: Posed, answer: Adjustment, findings: list[SetupFinding]) -> FreeSetup:
    columns = posed.columns
    there = columns >= 0
    covariance = np.full((4, 4), np.nan)
    covariance[np.ix_(there, there)] = answer.covariance(columns[there])
    position = posed.model.coordinates(answer.unknowns)[-1].copy()
    if posed.flat:
        position[2] = np.nan
    orientation = float(posed.model.orientations(answer.unknowns)[0]) if there[3] else math.nan
    shape = ellipse(covariance[:2, :2])
    o = posed.model.observations
    listed = posed.known[np.minimum(o.end, len(posed.known) - 1)]
    target = np.where(posed.sight >= 0, cleared.target[posed.sight], listed)
    rows = SetupRows(
        tuple(KINDS[k] for k in o.kind.tolist()), target, posed.sight, answer.residual, answer.sigma,
        answer.redundancy, answer.w, answer.smallest_found,
    )  # fmt: skip
    result = FreeSetup(
        case.name, position, orientation, covariance, shape, rows, case.read & ~cleared.use, answer.misfit,
        answer.limit, answer.freedom, answer.s0, (), answer,
    )  # fmt: skip
    return replace(result, findings=(*findings, *remarks(case, cleared, posed, result)))
