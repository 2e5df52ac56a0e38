"""The pieces of a part that is too large for the bed: how each is printed, and their files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from string import ascii_lowercase
from typing import Any, get_args

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh
from mountgen.recipe import Recipe
from mountgen.service.bed_split import MOST_PIECES, Split, split_part
from mountgen.service.case import Case
from mountgen.service.foot import chamfer_foot
from mountgen.service.joint import PINS, Joint, JointKind, make_pin
from mountgen.service.plate import Pose, lay_down
from mountgen.service.print_orientation import face_areas, find_orientations
from mountgen.service.print_piece import Print, lay_print
from mountgen.stl_file import encode_stl
from mountgen.threemf import Item, encode_items

WALL_LINES = 3  # printed lines around a hole or socket, at least (common practice: a functional wall)
BETWEEN = 10.0  # mm between pieces in the 3MF
ENDINGS = (
    *(f"-{letter}.stl" for letter in ascii_lowercase[:MOST_PIECES]), *(f"-pin{size:g}.stl" for size in PINS), "-pieces.3mf",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class PrintedSplit:
    """A split with every piece as it is printed."""

    split: Split
    prints: tuple[Print, ...]

    @property
    def poses(self) -> tuple[Pose, ...]:
        """Of every piece on the plate."""
        return tuple(each.way.pose for each in self.prints)

    @property
    def spare(self) -> float:
        """Least room that is left of the bed, mm."""
        return min(pose.spare for pose in self.poses)


def plan_split(case: Case, kind: JointKind) -> PrintedSplit | None:
    """Part the case's part so that every piece fits on its printer's bed.

    Args:
        case: the part and its surroundings.
        kind: of joint.

    Returns:
        PrintedSplit; None where that cannot be done with this kind of joint, or need not be.

    Raises:
        Nothing.
    """
    mesh, printer = case.part.body.mesh, case.recipe.printer
    bed = [side / case.scale for side in printer.bed]
    split = split_part(
        mesh, bed=bed, kind=kind, gap=printer.joint_gap, wall=WALL_LINES * printer.line_width, zones=case.part.soft
    )
    if split is None or len(split.pieces) == 1:  # of one piece: it fits some other way up
        return None
    prints = []
    share = case.inspection.bearing / np.maximum(face_areas(mesh), 1e-300)
    for letter, piece in zip(ascii_lowercase, split.pieces, strict=False):
        bearing = np.where(piece.origin >= 0, share[piece.origin], 0.0) * face_areas(piece.mesh)
        way = find_orientations(
            piece.mesh, bearing=bearing, recess_up=case.recess.up, recipe=case.recipe, scale=case.scale, any_way=True
        )[0]
        foot = chamfer_foot(
            piece.mesh, way.pose, size=printer.foot, line_width=printer.line_width, zones=case.part.soft
        )
        prints.append(lay_print(case, way, foot, mesh=piece.mesh, bearing=bearing, name=f"piece {letter}"))
    return PrintedSplit(split, tuple(prints))


def other_joint(kind: JointKind) -> JointKind:
    """Return the kind of joint that is not `kind`."""
    found: JointKind = next(each for each in get_args(JointKind) if each != kind)
    return found


def encode_split(printed: PrintedSplit, recipe: Recipe, *, scale: float) -> dict[str, bytes]:
    """Return the files of the pieces: an STL each, in the part's own axes, one of a pin of each size, and a 3MF with all.

    Args:
        printed: what is written.
        recipe: gives the name.
        scale: by which meshes are enlarged.

    Returns:
        dict: what comes after the part's name to the file's bytes; one of `ENDINGS` each.

    Raises:
        ExportError: a mesh cannot be written.
    """
    files: dict[str, bytes] = {}
    items: list[Item] = []
    right = 0.0
    for letter, piece in zip(ascii_lowercase, printed.prints, strict=False):
        pose, name = piece.way.pose, f"{recipe.name}-{letter}"
        mesh, foot = (Mesh(scale * each.vertices, each.faces) for each in (piece.mesh, piece.foot.mesh))
        files[f"-{letter}.stl"] = encode_stl(mesh, name=name)
        items.append(Item(foot, name, _shift(pose, recipe.printer.bed, right, scale=scale)))
        right += scale * pose.size[0] + BETWEEN
    for joint in printed.split.joints:
        if joint.pin > 0.0:
            found = make_pin(joint).to_mesh64()
            vertices = scale * np.asarray(found.vert_properties)[:, :3]  # it shrinks with its hole; a bought rod does not
            pin = Mesh(vertices, np.asarray(found.tri_verts).astype(np.int32))
            files[f"-pin{joint.size:g}.stl"] = encode_stl(pin, name=f"{recipe.name}-pin{joint.size:g}")
            for _ in joint.places:
                pose = lay_down(pin.vertices, np.array([0.0, 0.0, 1.0]), bed=recipe.printer.bed)
                items.append(Item(pin, f"{recipe.name}-pin{joint.size:g}", _shift(pose, recipe.printer.bed, right)))
                right += pose.size[0] + BETWEEN
    told = {"Application": "mountgen", "Description": "Pieces of a part, each as it is printed, side by side"}
    files["-pieces.3mf"] = encode_items(items, name=recipe.name, metadata=told)
    return files


def _shift(pose: Pose, bed: Sequence[float], right: float, *, scale: float = 1.0) -> Floats:
    """Return the matrix that sets an enlarged mesh, in the middle of the bed so far, with its left side at x = right."""
    matrix = np.array(pose.part_to_plate)
    matrix[:3, 3] *= scale
    matrix[0, 3] += right + 0.5 * scale * pose.size[0] - 0.5 * bed[0]
    return matrix


def describe_joints(joints: tuple[Joint, ...]) -> str:
    """Return where a part is cut and how it is joined, in words."""
    words = []
    for joint in joints:
        plane = f"at {'xyz'[joint.axis]} = {joint.at:.1f}"
        if joint.kind == "dowels":
            words.append(f"{plane}, {len(joint.places)} pins of {joint.size:g} x {joint.pin:g} mm")
        else:
            words.append(f"{plane}, a dovetail of {joint.size:g} mm pushed on along {'xyz'[joint.slide]}")
    return "; ".join(words)


def list_split_facts(printed: PrintedSplit, *, scale: float) -> Mapping[str, Any]:
    """Return what the report says of a split."""
    return {
        "pieces": [
            {
                "name": each.name,
                "layers_along": each.way.up,
                "part_to_plate": each.way.pose.part_to_plate,
                "size": [scale * side for side in each.way.pose.size],
                "steadiness": each.steadiness,
                "support_on_fit_faces": 100.0 * each.way.value("support on fit faces"),
                "air_under_overhangs": each.under.support,
                "longest_bridge": each.under.bridge,
                "foot_removed": each.foot.removed,
                "foot_left": each.foot.left,
                "estimate": asdict(each.estimate),
            }
            for each in printed.prints
        ],
        "joints": [asdict(joint) for joint in printed.split.joints],
    }
