"""3MF: the mesh with its unit, title and origin in one compressed package, written with `zipfile`.

Goal: a package that the strictest reader takes, the same bytes for the same mesh. Steps: three parts, in
    the order in which a
streaming reader needs them: content types, root relationship, model. Every entry carries the oldest date
the format has and the same system mark, so nothing of the clock or the machine gets in.

References:
    3MF Consortium, 3D Manufacturing Format, Core Specification and Reference Guide, version 1.3.0.
    ECMA-376-2, Open Packaging Conventions.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape  # as in XML; the library's own for XML loads one for the web, which takes a tenth of a second

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh
from mountgen.mesh_measure import is_closed, measure_volume
from mountgen.stl_file import round_mesh

CORE_NAMESPACE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_RELATIONSHIP = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
MODEL_TYPE = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
RELATIONSHIPS_TYPE = "application/vnd.openxmlformats-package.relationships+xml"
OWN_NAMESPACE = "urn:mountgen:part:1"  # of the metadata that the core specification does not name
OWN_PREFIX = "mountgen"
MODEL_PART = "3D/3dmodel.model"

CORE_METADATA = (  # core specification 1.3, section 3.4.1: the only names allowed without a prefix
    "Title", "Designer", "Description", "Copyright", "LicenseTerms",
    "Rating", "CreationDate", "ModificationDate", "Application",
)  # fmt: skip

LEVEL = 5  # of deflating; 6 saves 1.6 % and takes 1.4 times as long
ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)  # the oldest date a zip entry can have
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
_KEPT = {ord(blank): f"&#{ord(blank)};" for blank in "\t\n\r"}  # a reader makes spaces of these in an attribute
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2

_CONTENT_TYPES = f"""<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
 <Default Extension="rels" ContentType="{RELATIONSHIPS_TYPE}"/>
 <Default Extension="model" ContentType="{MODEL_TYPE}"/>
</Types>
"""

_RELATIONSHIPS = f"""<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
 <Relationship Id="model" Type="{MODEL_RELATIONSHIP}" Target="/{MODEL_PART}"/>
</Relationships>
"""


@dataclass(frozen=True, eq=False)
class Item:
    """A mesh to be built. transform: (4, 4) float64, its frame to the build plate, mm; None leaves it where it is."""

    mesh: Mesh
    name: str
    transform: Floats | None = None


def encode_3mf(
    mesh: Mesh, *, name: str, metadata: Mapping[str, str] | None = None, transform: Floats | None = None
) -> bytes:
    """Return a 3MF package with one object and one build item.

    The object is of type "model" when the mesh is closed and encloses a positive volume, as the
    specification asks of that type. Any other mesh is marked "surface", so that no printer takes it for a
    solid, and can still be looked at.

    Args:
        mesh: mm, part frame, normals outwards.
        name: of the object, and the title where `metadata` has none.
        metadata: text by name. The names of `CORE_METADATA` stand as they are, any other goes into our own
            namespace.
        transform: (4, 4) float64, part frame to the build plate, mm, applied to column vectors; None leaves
            the part frame.

    Returns:
        bytes: the package.

    Raises:
        ExportError: the mesh has no triangle, or a coordinate is not a finite number.
        ValueError: a metadata name is not a letter followed by letters, digits, dots and dashes; the
            transform is not (4, 4), not affine, or mirrors.

    References:
        Core Specification 1.3.0, sections 3.3 (build), 3.4.1 (metadata), 4.1 (object types, vertex order),
        8 (transform).
    """
    return encode_items([Item(mesh, name, transform)], name=name, metadata=metadata)


def encode_items(items: Sequence[Item], *, name: str, metadata: Mapping[str, str] | None = None) -> bytes:
    """Return a 3MF package with an object and a build item for each of several meshes.

    Args:
        items: what is built, at least one.
        name: of the package; its title where `metadata` has none.
        metadata: text by name, as for `encode_3mf`.

    Returns:
        bytes: the package.

    Raises:
        ExportError: a mesh has no triangle, or a coordinate is not a finite number.
        ValueError: as for `encode_3mf`.
    """
    text = _format_model(items, {"Title": name, **(metadata or {})}, where=f"{name}.3mf")
    package = io.BytesIO()
    with zipfile.ZipFile(package, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, content in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONSHIPS),
            (MODEL_PART, text),
        ):
            archive.writestr(_entry(part), content.encode("utf-8"), compresslevel=LEVEL)
    return package.getvalue()


def _entry(part: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(part, ZIP_EPOCH)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3  # Unix, on every machine
    entry.external_attr = 0o644 << 16
    return entry


def _format_model(items: Sequence[Item], metadata: Mapping[str, str], *, where: str) -> str:
    objects = "".join(_format_object(item, number, where) for number, item in enumerate(items, start=1))
    built = "".join(
        f'<item objectid="{number}"'
        + ("" if item.transform is None else f' transform="{_format_transform(item.transform)}"')
        + "/>\n"
        for number, item in enumerate(items, start=1)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE_NAMESPACE}"'
        f' xmlns:{OWN_PREFIX}="{OWN_NAMESPACE}">\n'
        f"{''.join(_format_metadata(key, text) for key, text in metadata.items())}"
        f"<resources>\n{objects}</resources>\n<build>\n{built}</build>\n</model>\n"
    )


def _format_object(item: Item, number: int, where: str) -> str:
    mesh = round_mesh(item.mesh, where=where)
    kind = "model" if is_closed(mesh) and measure_volume(mesh) > 0 else "surface"
    # single precision, shortest digits that read back as the same number
    numbers = mesh.vertices.astype(np.float32).ravel().astype("U16").tolist()
    vertices = ('<vertex x="%s" y="%s" z="%s"/>\n' * len(mesh.vertices)) % tuple(numbers)
    triangles = ('<triangle v1="%d" v2="%d" v3="%d"/>\n' * len(mesh.faces)) % tuple(mesh.faces.ravel().tolist())
    return (
        f'<object id="{number}" type="{kind}" name={_quote(item.name)}>\n'
        f"<mesh>\n<vertices>\n{vertices}</vertices>\n<triangles>\n{triangles}</triangles>\n</mesh>\n</object>\n"
    )


def _format_metadata(key: str, text: str) -> str:
    if not _NAME.fullmatch(key):
        raise ValueError(f"a metadata name is letters, digits, dots and dashes, a letter first; got {key!r}")
    name = key if key in CORE_METADATA else f"{OWN_PREFIX}:{key}"
    return f'<metadata name="{name}">{escape(_NOT_XML.sub("", text), quote=False)}</metadata>\n'


def _format_transform(transform: Floats) -> str:
    """Return the twelve numbers of the format: it multiplies row vectors, so columns of ours are its rows."""
    matrix = np.asarray(transform, dtype=np.float64)
    if matrix.shape != (4, 4):
        raise ValueError(f"a transform is (4, 4); got {matrix.shape}")
    if not np.all(np.isfinite(matrix)) or not np.array_equal(matrix[3], (0.0, 0.0, 0.0, 1.0)):
        raise ValueError("a transform is finite and ends with the row 0 0 0 1")
    if np.linalg.det(matrix[:3, :3]) <= 0:
        raise ValueError("a transform of a part neither flattens nor mirrors it")
    return " ".join(repr(float(value)) for value in (matrix[:3].T + 0.0).ravel())


def _quote(text: str) -> str:
    return f'"{escape(_NOT_XML.sub("", text)).translate(_KEPT)}"'
