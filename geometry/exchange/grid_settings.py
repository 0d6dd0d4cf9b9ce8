"""What a project file says of its grid: the coordinate reference system that its coordinates belong to."""

from __future__ import annotations

from .settings_parts import Name, Part

__all__ = ["GridSettings"]


class GridSettings(Part):
    """The coordinate reference system of easting, northing and level.

    ``crs`` is a projected system in metres, by its code (``EPSG:25832``) or its definition. ``vertical`` is what levels
    count from: a vertical system by its code or name, ``ellipsoid`` for heights above the ellipsoid of ``crs``, or any
    words for one that has no code. The scale of the grid, ``alignment.grid_scale``, is another matter: coordinates are
    those of the grid already.
    """

    crs: Name
    vertical: Name | None = None
