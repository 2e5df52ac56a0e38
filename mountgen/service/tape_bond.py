"""What tape pads really hold: where they touch the recess, and how hard a load pulls at them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.datum import Recess
from mountgen.features.pad_place import BEARS
from mountgen.features.tape_pads import Pad
from mountgen.kernel import Mesh
from mountgen.surface import surface_of
from mountgen.tape import find_bonded_share

PITCH = 0.75  # mm between the points at which a pad is felt
OFF = 0.1  # mm by which the part's face may lie off a pad's plane; farther away it is no pad
ABOVE = 2.0  # mm in front of a pad from which its face is felt
BEHIND = 1.0  # mm behind a pad's plane from which the scan is felt
SHEAR = 1.0 / 3.0  # stiffness of a foam along its face over that across: that of rubber (our rule)


@dataclass(frozen=True, eq=False)
class Bond:
    """A pad on the finished part. Lengths in mm, part frame.

    pad    : where it is.  length, width: of the tape.
    points : (N, 3) on the pad's face where the tape touches part and recess; cell: (2,) mm along and across that each stands for.
    share  : of the pad that bonds.  gaps: (M,) from the pad's plane to the scan, where both were found.
    known  : share of the pad where part and scan were both found.
    """

    pad: Pad
    length: float
    width: float
    points: Floats
    cell: tuple[float, float]
    share: float
    gaps: Floats
    known: float

    def __post_init__(self) -> None:
        freeze(self, "points", "float64")
        freeze(self, "gaps", "float64")

    @property
    def area(self) -> float:
        """Area that bonds, mm²."""
        return self.share * self.length * self.width


class PadGauge:
    """The finished part and the scan, felt as often as needed."""

    def __init__(self, mesh: Mesh, recess: Recess) -> None:
        self._part, self._scan = surface_of(mesh), surface_of(recess)

    def feel(self, pad: Pad, *, length: float, width: float, thickness: float, compression: float, off: float = OFF) -> Bond:
        """Measure a pad of any size about a pad's middle.

        Args:
            pad: gives middle and directions.
            length, width: of the tape, mm.
            thickness: of the tape, mm; compression: share of it by which it is pressed in.
            off: how far the part's face may lie off the pad's plane, mm; more than `OFF` for a pad that is not made yet.

        Returns:
            Bond.

        Raises:
            EnduranceError: a value that cannot be.
        """
        counts = [max(2, ceil(size / PITCH)) for size in (length, width)]
        a, b = (((np.arange(n) + 0.5) / n - 0.5) * size for n, size in zip(counts, (length, width), strict=True))
        across, along = (grid.ravel() for grid in np.meshgrid(a, b))
        face = pad.middle + across[:, None] * pad.spot.right + along[:, None] * pad.spot.up
        out = np.broadcast_to(pad.spot.normal, face.shape)
        down, _ = self._part.cast(face + ABOVE * out, -out)
        run, _ = self._scan.cast(face - BEHIND * out, out)
        gap = run - BEHIND
        there = (np.abs(down - ABOVE) <= off) & (gap < BEARS + thickness)
        cell = (length / counts[0], width / counts[1])
        if not there.any():
            return Bond(pad, length, width, np.zeros((0, 3)), cell, 0.0, np.zeros(0), 0.0)
        known = float(there.mean())
        gaps = gap[there]
        share = find_bonded_share(gaps, thickness=thickness, compression=compression)
        touches = gaps <= gaps.min() + compression * thickness + 1e-9
        return Bond(pad, length, width, face[there][touches], cell, share * known, gaps, known)


def find_pull(bonds: Sequence[Bond], *, force: Floats, moment: Floats, about: Floats) -> float:
    """Return the greatest pull with which a load tears at the edge of a pad, MPa.

    The part is rigid and the pads are beds of springs, stiff across their faces and softer along them: so a load shifts and
    turns the part until they balance it, and each point of a pad is pulled by how far it moves off.

    Args:
        bonds: the pads.
        force: (3,) on the part, N.
        moment: (3,) beside it, N·mm.
        about: (3,) mm, where the force acts.

    Returns:
        MPa, 0 or more; infinite where nothing bonds.

    Raises:
        Nothing.

    References:
        Balance of a rigid body on an elastic bed; for one upright pad it is 6 * F * e / (b * L²), the stress of a beam section.
    """
    stiff = np.zeros((6, 6))
    held = [bond for bond in bonds if len(bond.points)]
    if not held:
        return float("inf")
    for bond in held:
        n = bond.pad.spot.normal
        spring = bond.cell[0] * bond.cell[1] * (np.outer(n, n) + SHEAR * (np.eye(3) - np.outer(n, n)))
        moves = _moves(bond.points - about)
        stiff += np.einsum("nki,kl,nlj->ij", moves, spring, moves)
    shift = np.linalg.lstsq(stiff, np.concatenate([force, moment]), rcond=1e-12)[0]
    pull = 0.0
    for bond in held:
        corners = _corners(bond)
        off = -(_moves(corners - about) @ shift) @ bond.pad.spot.normal  # the normal points to the recess
        pull = max(pull, float(off.max()))
    return pull


def _moves(arms: Floats) -> Floats:
    """Return (N, 3, 6): how points at arms (N, 3) move when a body shifts and turns."""
    x, y, z = arms.T
    zero = np.zeros(len(arms))
    turn = np.stack([np.stack([zero, z, -y], 1), np.stack([-z, zero, x], 1), np.stack([y, -x, zero], 1)], axis=1)
    return np.concatenate([np.broadcast_to(np.eye(3), (len(arms), 3, 3)), turn], axis=2)


def _corners(bond: Bond) -> Floats:
    """Return the corners of the smallest rectangle about what bonds, (4, 3) mm."""
    spot = bond.pad.spot
    local = bond.points - bond.pad.middle
    spans = zip((local @ spot.right, local @ spot.up), bond.cell, strict=True)
    ranges = [(float(v.min()) - 0.5 * cell, float(v.max()) + 0.5 * cell) for v, cell in spans]
    corners: Floats = np.array([bond.pad.middle + a * spot.right + b * spot.up for a in ranges[0] for b in ranges[1]])
    return corners
