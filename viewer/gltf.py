"""The scene of a section as glTF 2.0 (ISO/IEC 12113): y up, metres, colours at the vertices."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geometry.errors import Fault, InputError, SlabposeError
from geometry.exchange.exports import Asked, Writer
from geometry.exchange.plain import to_plain
from geometry.exchange.results import CAUTIONS, made_from
from geometry.exchange.writing import one_piece
from geometry.placement import check_section
from geometry.survey import SurveyPoints
from viewer.checked import section_of
from viewer.deviation_layer import SIGNS, deviation_layer
from viewer.gltf_scene import Body, Scene3D, scene_of

__all__ = ["document_of", "gltf_library", "gltf_writers", "y_up"]

Floats = NDArray[np.float64]

_KINDS: Final = {"<f4": 5126, "<u4": 5125, "<u2": 5123}  # component types
_VERTICES, _TRIANGLES = 34962, 34963  # buffer targets
_SEEN_THROUGH: Final = 0.35  # opacity of slabs at their target


def gltf_library() -> Any:
    """Return the library for glTF.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import pygltflib
    except ImportError as missing:
        raise SlabposeError("glTF needs a library more: pip install 'slabpose[gltf]'") from missing
    return pygltflib


def gltf_writers(colour: str, factor: float | None) -> Mapping[str, Writer]:
    """Return the writers of scenes: ``.glb`` and ``.gltf``, each in one file.

    Parameters
    ----------
    colour : str
        The deviation that built slabs are coloured by: across, along or up.
    factor : float or None
        Exaggeration of the deviations; None for a round one at which they can be seen.
    """
    write = partial(_write, colour=colour, factor=factor)
    return {suffix: Writer("scene in space, glTF 2.0", write, _ready) for suffix in (".glb", ".gltf")}


def _ready(asked: Asked) -> None:
    gltf_library()
    if not len(asked.project.layout.names):
        raise InputError([Fault(str(asked.project.folder), "at least one slab in the layout", "none",
                                "slabpose layout says why")])  # fmt: skip


def y_up(points: Floats) -> Floats:
    """Return easting, northing, level as x, y, z of glTF, where y is up and z comes to the viewer: east, up, south."""
    return np.stack([points[..., 0], points[..., 2], -points[..., 1]], axis=-1)


def _linear(srgb: Floats) -> Floats:
    """Return sRGB, 0 to 1, as the linear light that glTF keeps (IEC 61966-2-1)."""
    linear: Floats = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    return linear


def _of_hex(colour: str) -> list[float]:
    parts = np.array([int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)])
    return [float(part) for part in _linear(parts)]


class _Parts:
    """A document while bodies are put into it."""

    def __init__(self, scene: Scene3D) -> None:
        self.library, self.scene = gltf_library(), scene
        self.document = self.library.GLTF2()
        self.chunks: list[bytes] = []
        self.size = 0
        self.materials: dict[tuple[str, float], int] = {}

    def accessor(self, values: NDArray[Any], kind: str, target: int) -> int:
        """Put an array, (k,) or (k, width), into the buffer; return its number."""
        library, content = self.library, values.tobytes()
        content += bytes(-len(content) % 4)  # every part begins at a multiple of four
        self.document.bufferViews.append(
            library.BufferView(buffer=0, byteOffset=self.size, byteLength=len(content), target=target)
        )
        self.chunks.append(content)
        self.size += len(content)
        accessor = library.Accessor(
            bufferView=len(self.document.bufferViews) - 1, type=kind, count=len(values),
            componentType=_KINDS[values.dtype.str], normalized=kind == "VEC4",
        )  # fmt: skip
        if kind == "VEC3":
            accessor.min, accessor.max = values.min(axis=0).tolist(), values.max(axis=0).tolist()
        self.document.accessors.append(accessor)
        return len(self.document.accessors) - 1

    def material(self, name: str, colour: str | None, opacity: float) -> int:
        """Return the number of a material: one colour, or that of the vertices."""
        key = (colour or "", opacity)
        if key not in self.materials:
            surface = self.library.PbrMetallicRoughness(
                baseColorFactor=[*(_of_hex(colour) if colour else (1.0, 1.0, 1.0)), opacity],
                metallicFactor=0.0, roughnessFactor=0.9,
            )  # fmt: skip
            self.document.materials.append(self.library.Material(
                name=name, pbrMetallicRoughness=surface, alphaMode="OPAQUE" if opacity == 1.0 else "BLEND",
            ))  # fmt: skip
            self.materials[key] = len(self.document.materials) - 1
        return self.materials[key]

    def body(self, group: str, body: Body) -> int:
        """Put a body into the document; return the number of its node."""
        library = self.library
        places = self.library.Attributes(POSITION=self.accessor(y_up(body.points).astype("<f4"), "VEC3", _VERTICES))
        opacity = _SEEN_THROUGH if group == "slabs target" else 1.0
        if isinstance(body.colour, str):
            material = self.material(group, body.colour, opacity)
        else:
            # 16 bits of linear light: with 8 dark colours would have steps
            shares = np.column_stack([_linear(body.colour), np.ones(len(body.colour))])
            places.COLOR_0 = self.accessor(np.rint(shares * 65535).astype("<u2"), "VEC4", _VERTICES)
            material = self.material(group, None, opacity)
        kind = "<u2" if len(body.points) < 65535 else "<u4"  # the largest number is kept for other uses
        triangles = library.Primitive(
            attributes=places, indices=self.accessor(body.faces.astype(kind).ravel(), "SCALAR", _TRIANGLES),
            material=material,
        )  # fmt: skip
        self.document.meshes.append(library.Mesh(name=body.name, primitives=[triangles]))
        return self.node(
            body.name, [], mesh=len(self.document.meshes) - 1, extras=to_plain(dict(body.told)),
            translation=y_up(body.origin - self.scene.origin).tolist(),
        )  # fmt: skip

    def node(self, name: str, children: list[int], **more: Any) -> int:
        self.document.nodes.append(self.library.Node(name=name, children=children, **more))
        return len(self.document.nodes) - 1


def document_of(scene: Scene3D, told: Mapping[str, Any]) -> Any:
    """Return a scene as a glTF document with its buffer.

    Parameters
    ----------
    scene : Scene3D
    told : mapping
        What becomes extras of the asset beside origin, axes and exaggeration.

    Returns
    -------
    pygltflib.GLTF2
    """
    parts = _Parts(scene)
    document, library = parts.document, parts.library
    groups = [
        parts.node(name, [parts.body(name, body) for body in bodies],
                   extras={"exaggeration": scene.factor} if name.startswith("slabs built") else {})
        for name, bodies in scene.groups.items()
    ]  # fmt: skip
    root = parts.node(scene.title, groups)
    document.scenes.append(library.Scene(name=scene.title, nodes=[root]))
    document.scene = 0
    easting, northing, level = scene.origin.tolist()
    document.asset = library.Asset(version="2.0", generator=str(told.get("program", "slabpose")), extras=to_plain({
        "origin": {"easting_m": easting, "northing_m": northing, "level_m": level},
        "axes": "x east, y up, z south; m from the origin",
        "exaggeration": scene.factor,
        "bed_lowered_m": scene.bed_lowered,
        **told,
    }))  # fmt: skip
    document.buffers.append(library.Buffer(byteLength=parts.size))
    document.set_binary_blob(b"".join(parts.chunks))
    return document


def _write(path: Path, asked: Asked, *, colour: str, factor: float | None) -> None:
    library, project = gltf_library(), asked.project
    section = section_of(project, asked.check if asked.check is not None else _unmeasured(asked))
    layer, made, grid = deviation_layer(section, colour), made_from(asked.inputs), project.settings.grid
    scene = scene_of(section, layer, factor)
    scale = layer.scale
    document = document_of(scene, {
        **made,
        "crs": "not named" if grid is None else grid.crs,
        "vertical": "not named" if grid is None else grid.vertical or "not named",
        "colours": {"quantity": f"{colour}, built less target", "sign": SIGNS[colour], "blue_mm": scale.low,
                    "near_white_mm": scale.middle, "orange_mm": scale.high, "tolerance_mm": list(scale.allowed or ())},
        "cautions": CAUTIONS,
    })  # fmt: skip
    if path.suffix.lower() == ".gltf":
        document.convert_buffers(library.BufferFormat.DATAURI)
        content = document.to_json().encode()
    else:
        content = b"".join(document.save_to_bytes())
    with one_piece(path, asked.kept) as file:
        file.write(content)


def _unmeasured(asked: Asked) -> Any:
    """Return the check of a project without any survey: nothing is measured."""
    project, none = asked.project, np.empty((0, 3))
    nobody = np.empty(0, dtype=np.intp)
    points = SurveyPoints(none, none, nobody, nobody, nobody, np.empty(0, "datetime64[us]"), str)
    return check_section(
        project.targets, project.types, project.layout.type_index, project.layout.span, project.layout.names.tolist(),
        points, project.check_rules,
    )  # fmt: skip
