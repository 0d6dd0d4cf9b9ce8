"""The coordinate reference system of a project, and the way from its grid to longitude and latitude.

Nothing is fetched from anywhere: where a transformation needs a grid of corrections that is not there, the next best
one is taken and told, and heights are kept as levels.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError, SlabposeError

from .grid_settings import GridSettings

__all__ = ["UNDEFINED", "Geographic", "GridReference", "grid_reference", "pyproj_library", "to_geographic"]

ELLIPSOID: Final = "ellipsoid"
_WHERE: Final = "project.toml: grid"
_CODE: Final = re.compile(r"\s*[A-Za-z]+:\S+\s*")
_GOOD_ENOUGH = 1.0  # what is left between the systems of a continent and that of the whole earth, m
UNDEFINED: Final = (
    'ENGCRS["project grid",EDATUM["project grid"],CS[Cartesian,2],AXIS["easting (E)",east,ORDER[1],'
    'LENGTHUNIT["metre",1]],AXIS["northing (N)",north,ORDER[2],LENGTHUNIT["metre",1]]]'
)
"""A grid of which nothing is known but its axes (ISO 19162)."""


def pyproj_library() -> Any:
    """Return the library for coordinate reference systems, told to stay off the network.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import pyproj
        from pyproj import network
    except ImportError as missing:
        raise SlabposeError("maps need a library more: pip install 'slabpose[gis]'") from missing
    switch: Any = network
    switch.set_network_enabled(False)
    return pyproj


@dataclass(frozen=True, eq=False)
class GridReference:
    """A coordinate reference system, resolved.

    Attributes
    ----------
    plan : pyproj.CRS
        Of easting and northing.
    whole : pyproj.CRS
        With that of the levels, if it is known.
    vertical : str
        What levels count from, in words; "" if nobody says.
    """

    plan: Any
    whole: Any
    vertical: str


def grid_reference(settings: GridSettings | None) -> GridReference | None:
    """Return the system that a project names, None if it names none.

    Raises
    ------
    InputError
        If there is no such system, or it is none of easting, northing and level in metres.
    """
    if settings is None:
        return None
    pyproj, faults = pyproj_library(), Faults()
    plan = _system(pyproj, "crs", settings.crs, faults)
    if plan is not None:
        _check_plan(plan, settings, faults)
    vertical = settings.vertical
    below = None
    if vertical is not None and vertical != ELLIPSOID:
        below = _vertical(pyproj, vertical, faults)
    faults.stop_if_any()
    assert plan is not None  # None only with a fault
    if plan.is_compound:
        return GridReference(plan.sub_crs_list[0], plan, plan.sub_crs_list[1].name)
    if vertical is None:
        return GridReference(plan.to_2d(), plan, f"the ellipsoid of {plan.name}" if len(plan.axis_info) > 2 else "")
    if below is None:
        return GridReference(plan.to_2d(), plan.to_3d(), f"the ellipsoid of {plan.name}")
    whole = pyproj.crs.CompoundCRS(f"{plan.name} + {below.name}", [plan.to_2d(), below])
    return GridReference(plan.to_2d(), whole, below.name)


def _system(pyproj: Any, key: str, text: str, faults: Faults) -> Any:
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        faults.error(f"{_WHERE}.{key}", "a coordinate reference system such as EPSG:25832", repr(text))
        return None


def _check_plan(plan: Any, settings: GridSettings, faults: Faults) -> None:
    where, found = f"{_WHERE}.crs", f"{plan.name}"
    axes = plan.axis_info
    if not plan.is_projected:
        faults.error(where, "a projected system, of eastings and northings", f"{found}, which is none")
    elif {axis.direction for axis in axes[:2]} != {"east", "north"}:
        words = " and ".join(axis.direction for axis in axes[:2])
        faults.error(where, "coordinates to the east and the north", f"{found}: to the {words}")
    elif any(axis.unit_conversion_factor != 1.0 for axis in axes):
        faults.error(where, "coordinates in metres", f"{found}: in {axes[0].unit_name}")
    elif settings.vertical is not None and len(axes) > 2:
        faults.error(f"{_WHERE}.vertical", f"none, as {found} says it", repr(settings.vertical))


def _vertical(pyproj: Any, text: str, faults: Faults) -> Any:
    """Return a vertical system; words that name none become one of that name."""
    where, expected = f"{_WHERE}.vertical", "what levels count from, up in metres: a code such as EPSG:7837, or words"
    try:
        system = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        if _CODE.fullmatch(text):
            faults.error(where, expected, f"{text!r}, which there is not")
            return None
        name = " ".join(text.split()).replace('"', '""')
        return pyproj.CRS.from_wkt(
            f'VERTCRS["{name}",VDATUM["{name}"],CS[vertical,1],AXIS["gravity-related height (H)",up,'
            'LENGTHUNIT["metre",1]]]'
        )
    axis = system.axis_info[0] if len(system.axis_info) == 1 else None
    if not system.is_vertical or axis is None or axis.direction != "up" or axis.unit_conversion_factor != 1.0:
        faults.error(where, expected, f"{system.name}, which is none")
    return system


@dataclass(frozen=True, eq=False)
class Geographic:
    """Places on the earth, WGS 84.

    Attributes
    ----------
    lonlat : ndarray, shape (n, 2)
        Longitude and latitude, degrees.
    height : ndarray, shape (n,), or None
        Above the ellipsoid, m; None where there is no way there from the levels.
    operation : str
        How they were transformed.
    """

    lonlat: Floats
    height: Floats | None
    operation: str


def to_geographic(reference: GridReference, xyz: Floats, faults: Faults) -> Geographic:
    """Return grid points as longitude, latitude and, if that can be, ellipsoidal height.

    Parameters
    ----------
    reference : GridReference
    xyz : ndarray, shape (n, 3)
        Easting, northing, level, m.
    faults : Faults
        Takes warnings: of a transformation that is not good to a metre, and of heights that cannot be transformed.

    Raises
    ------
    InputError
        If there is no transformation to WGS 84, or a point is where the system is not defined.
    """
    height = None
    if reference.vertical:
        try:
            answer, operation = _transformed(reference.whole, "EPSG:4979", xyz)
            height = answer[:, 2]
        except _NoWayError:
            faults.warn(f"{_WHERE}.vertical", f"a way from {reference.vertical} to the ellipsoid",
                        "none without corrections that are not installed",
                        "heights are left out of the coordinates, levels stand in the properties")  # fmt: skip
    if height is None:
        try:
            answer, operation = _transformed(reference.plan, "EPSG:4326", xyz[:, :2])
        except _NoWayError as fault:
            raise InputError([Fault(f"{_WHERE}.crs", "a system with a known way to WGS 84",
                                    f"{reference.plan.name}: {fault}")]) from fault  # fmt: skip
    accuracy = operation.accuracy
    if not 0 <= accuracy <= _GOOD_ENOUGH:
        known = f"{accuracy:g} m" if accuracy >= 0 else "unknown"
        faults.warn(f"{_WHERE}.crs", f"a transformation to WGS 84 that is good to {_GOOD_ENOUGH:g} m",
                    f"{operation.description}: {known}",
                    "places on a map are off by as much, deviations are not")  # fmt: skip
    return Geographic(answer[:, :2], height, f"{operation.description}; accuracy {accuracy:g} m")


class _NoWayError(Exception):
    """There is no transformation, or it has no answer."""


def _transformed(source: Any, target: str, points: Floats) -> tuple[Floats, Any]:
    """Return transformed points and the operation that was used."""
    pyproj = pyproj_library()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of grids that are not there: told by the accuracy
        try:
            # a ballpark transformation pretends that one datum is the other
            transformer = pyproj.Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False)
            answer = np.stack(transformer.transform(*points.T, errcheck=True), axis=1)
        except pyproj.exceptions.ProjError as fault:
            raise _NoWayError(" ".join(str(fault).split())) from fault
        if not np.isfinite(answer).all():
            raise _NoWayError("a point outside the area where it is defined")
        return answer, transformer.get_last_used_operation()
