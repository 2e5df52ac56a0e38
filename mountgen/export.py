"""Stage 8: a finished body to STL, STEP and 3MF, all of them or none.

Files are made in memory first (a part of 100 000 triangles is 5 MB), so nothing is on the disk until every
format has been made, and `write_files` moves them into place together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import ExportError
from mountgen.kernel import Body, Mesh
from mountgen.safe_write import write_files
from mountgen.step_file import encode_step
from mountgen.stl_file import encode_stl
from mountgen.threemf import encode_3mf

FORMATS = ("stl", "step", "3mf")
MAX_NAME_BYTES = 200  # with the ending and a temporary name still under the 255 bytes most file systems allow

_NOT_IN_FILE_NAMES = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]')
_RESERVED = re.compile(
    r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE
)  # device names of one operating system


def name_files(name: str) -> dict[str, str]:
    """Return the file name of each format for a part of this name.

    Args:
        name: of the recipe.

    Returns:
        dict: "stl", "step", "3mf" to file name.

    Raises:
        ExportError: the name cannot be a file name on every operating system.
    """
    bad = _NOT_IN_FILE_NAMES.search(name)
    if bad:
        problem = f"the part's name contains {bad.group()!r}, which a file name may not"
    elif not name or name != name.strip(" ") or name[0] == "." or name[-1] == ".":
        problem = f"the part's name {name!r} is empty, or begins or ends with a dot or a space"
    elif _RESERVED.fullmatch(name):
        problem = f"the part's name {name!r} is reserved for a device on some systems"
    elif len(name.encode("utf-8")) > MAX_NAME_BYTES:
        size = len(name.encode("utf-8"))
        problem = f"the part's name has {size} bytes; a file name has room for {MAX_NAME_BYTES}"
    else:
        return {kind: f"{name}.{kind}" for kind in FORMATS}
    raise ExportError(
        problem, "name in the recipe", 'use letters, digits and dashes, such as name = "phone-shelf"'
    )


def encode_part(
    body: Body,
    *,
    name: str,
    description: str = "",
    author: str = "",
    metadata: Mapping[str, str] | None = None,
    transform: Floats | None = None,
    scale: float = 1.0,
    printed: Mesh | None = None,
    step: bytes | None = None,
) -> dict[str, bytes]:
    """Return the part in every format, in memory.

    Args:
        body: one closed solid and its tessellation.
        name: of the part; gives the file names.
        description: one sentence, for STEP and 3MF.
        author: for STEP and 3MF; may be empty.
        metadata: further text by name, for the 3MF.
        transform: (4, 4) float64, part frame to the build plate, mm, for the 3MF only.
        scale: by which the meshes of STL and 3MF are enlarged, about the part's origin (in the 3MF about that of
            the build plate, so that the part stays on it), to make good the plastic's shrinkage.
        printed: what the 3MF holds instead of the body's mesh.
        step: the STEP file's content where the solid has been encoded before, by `encode_step`.

    Returns:
        dict: file name to content, in the order of `FORMATS`.

    Raises:
        ExportError: the name, the mesh or the solid cannot be written.
    """
    files = name_files(name)
    own = {"Application": "mountgen", "Description": description, "Designer": author}
    entries = {key: text for key, text in own.items() if text} | dict(metadata or {})
    mesh, printed = body.mesh, body.mesh if printed is None else printed
    if scale != 1.0:
        mesh, printed = (Mesh(scale * each.vertices, each.faces) for each in (mesh, printed))
        entries |= {"EnlargedBy": f"{scale:.6f}"}
        if transform is not None:
            transform = np.column_stack([transform[:, :3], np.diag([scale, scale, scale, 1.0]) @ transform[:, 3]])
    if step is None:
        step = encode_step(body.solid, name=name, description=description, author=author)
    stl, threemf = encode_stl(mesh, name=name), encode_3mf(printed, name=name, metadata=entries, transform=transform)
    return {files["stl"]: stl, files["step"]: step, files["3mf"]: threemf}


def export_part(
    body: Body,
    out: Path,
    *,
    name: str,
    description: str = "",
    author: str = "",
    metadata: Mapping[str, str] | None = None,
    transform: Floats | None = None,
    extra: Mapping[str, bytes] | None = None,
) -> dict[str, Path]:
    """Write the part in every format, and further files beside it; a failure loses nothing that was there.

    Args:
        body: one closed solid and its tessellation.
        out: folder; made if missing.
        name: of the part; gives the file names.
        description: one sentence, for STEP and 3MF.
        author: for STEP and 3MF; may be empty.
        metadata: further text by name, for the 3MF.
        transform: (4, 4) float64, part frame to the build plate, mm, for the 3MF only.
        extra: file name to content of what belongs to the same run, such as the report and the resolved
            recipe.

    Returns:
        dict: file name to the path written, in the order of `FORMATS`, then `extra`.

    Raises:
        ExportError: something cannot be made or written.
    """
    contents = encode_part(
        body, name=name, description=description, author=author, metadata=metadata, transform=transform
    )
    return write_files(out, contents | dict(extra or {}))
