"""Snap arms and retaining tabs: strain, forces, root fillet, what a material bears. Pure functions, a leaf.

Rigid-wall beam theory. A real wall gives way, so the true strain is lower than computed (safe) and so are the
forces (unsafe): never count on an arm's force for holding something.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from mountgen.errors import EnduranceError
from mountgen.material import Material, Tag, require_number
from mountgen.verdict import Verdict

__all__ = [
    "FRICTION",
    "SLENDER",
    "Arm",
    "Snap",
    "Taper",
    "find_deflection_force",
    "find_deflection_limit",
    "find_fillet",
    "find_length_needed",
    "find_mating_force",
    "find_permissible_strain",
    "find_root_concentration",
    "find_strain",
    "find_wall_factor",
    "judge_snap",
    "locks",
]

Taper = Literal["none", "thickness", "width"]

# Root strain of a uniform arm over that of a tapered one at equal deflection. Thickness to half at the tip:
# 1.63 on a university's page (read), 1.64 by integration. Width to a quarter: 1.28 by integration.
_RELIEF: dict[Taper, float] = {"none": 1.0, "thickness": 1.63, "width": 1.28}

# Length over thickness from which the rigid-wall theory is right; snap-fit design manuals (read).
SLENDER = 10.0
FRICTION = 0.5  # plastic on itself; 0.52 for PC, 0.2 for ABS-PC, materials handbook, table 399 (read)
UPRIGHT_SHARE = 0.5  # of the permissible strain when the layers lie across the arm (our rule)
LEAST_FILLET = 0.4  # mm; root fillet is half the thickness but no less than this (moulders' page: 0.4 to 0.8 mm, read)


@dataclass(frozen=True)
class Arm:
    """A cantilever arm, all mm.

    length : from the root to where the hook touches.  thickness: at the root, in the direction it bends.
    width  : at the root.  taper: "none", "thickness" (half at the tip) or "width" (a quarter at the tip).
    """

    length: float
    thickness: float
    width: float
    taper: Taper = "none"

    def __post_init__(self) -> None:
        for name in ("length", "thickness", "width"):
            require_number(getattr(self, name), f"tab {name}", low=1e-6, unit="mm")
        if self.taper not in _RELIEF:
            raise EnduranceError(f'unknown taper "{self.taper}"', "tab", f"use one of {', '.join(_RELIEF)}")


@dataclass(frozen=True)
class Snap:
    """Verdict on one arm.

    strain_pct : at the root when fully deflected.  allowed_pct: what the material bears there.
    length_needed : shortest arm of this thickness and taper that passes, mm.
    deflection_limit : greatest deflection of this arm that passes, mm.
    slender : False where the arm is shorter than ten times its thickness: then the forces are over-estimated.
    notes  : cautions in words.
    source, tag : of the permissible strain.
    """

    verdict: Verdict
    strain_pct: float
    allowed_pct: float
    length_needed: float
    deflection_limit: float
    slender: bool
    notes: tuple[str, ...]
    source: str
    tag: Tag


def find_strain(arm: Arm, deflection: float) -> float:
    """Return the strain at the root of a deflected arm: 1.5 * h * y / L², less by the taper.

    Args:
        arm: the arm.
        deflection: y, of the tip, mm: the undercut it has to clear.

    Returns:
        Strain, a pure number: 0.0144 is 1.44 %.

    Raises:
        EnduranceError: negative deflection.

    References:
        y = 0.67 * strain * L² / h: synectic.net and a university's snap calculations (read); checked by
        integration.
    """
    require_number(deflection, "deflection", unit="mm")
    return 1.5 * arm.thickness * deflection / arm.length**2 / _RELIEF[arm.taper]


def find_deflection_limit(arm: Arm, strain: float) -> float:
    """Return the deflection at which the root reaches a strain, mm.

    Args:
        arm: the arm.
        strain: pure number.

    Returns:
        mm.

    Raises:
        EnduranceError: negative strain.

    References:
        `find_strain`, solved for y.
    """
    return require_number(strain, "strain") * arm.length**2 * _RELIEF[arm.taper] / (1.5 * arm.thickness)


def find_length_needed(arm: Arm, deflection: float, strain: float) -> float:
    """Return the length at which an arm of this thickness and taper keeps a strain, mm.

    Args:
        arm: the arm; its own length does not matter.
        deflection: of the tip, mm.
        strain: pure number, more than 0.

    Returns:
        mm.

    Raises:
        EnduranceError: negative deflection, a strain that is not positive.

    References:
        `find_strain`, solved for L.
    """
    require_number(strain, "strain", low=1e-9)
    return arm.length * math.sqrt(find_strain(arm, deflection) / strain)


def find_deflection_force(arm: Arm, deflection: float, *, modulus: float) -> float:
    """Return the force that deflects the tip, N: b * h² * E * strain / (6 * L).

    Args:
        arm: the arm.
        deflection: of the tip, mm.
        modulus: secant modulus at that strain, MPa.

    Returns:
        N; too much for short arms, whose root gives way.

    Raises:
        EnduranceError: negative deflection, a modulus that is not positive.

    References:
        3dprintcalcs.uk (read); for a uniform arm the same as 3 * E * I * y / L³.
    """
    require_number(modulus, "modulus", low=1e-9, unit="MPa")
    return arm.width * arm.thickness**2 * modulus * find_strain(arm, deflection) / (6.0 * arm.length)


def find_wall_factor(arm: Arm) -> float:
    """Return by how much the tip moves farther because the wall at the root gives way: Q = 1 + 18 / (4 pi) * h / L.

    At a given deflection the root's strain and the forces are smaller by it.

    Args:
        arm: the arm; taken as uniform.

    Returns:
        Q, 1 or more.

    Raises:
        Nothing.

    References:
        Our derivation: the edge of an elastic half-plane under the arm's bending stress turns by 18 M / (pi E h²), in the mean
        over the work done there (A. Flamant 1892: a line load on a half-plane), which adds L times itself to 4 P L³ / (E b h³).
        As the least complementary energy asks, true stress does less work: Q is an upper bound, its excess over 1 a fifth above
        that of finite elements. W. J. O'Donnell, J. Appl. Mech. 27 (1960) 461-464, has 16.67 for 18 (from memory).
    """
    return 1.0 + 18.0 / (4.0 * math.pi) * arm.thickness / arm.length


def locks(friction: float, angle_deg: float) -> bool:
    """Say whether a slope of the hook cannot be pulled over: friction * tan(angle) >= 1.

    Args:
        friction: coefficient.
        angle_deg: of the slope against the direction of movement; 90 is a square hook.

    Returns:
        True if no force along the movement separates it.

    Raises:
        EnduranceError: negative friction, an angle outside 0 to 90°.

    References:
        Separable while return angle + angle of repose < 90°: a resin maker's technical guide (2005; read).
    """
    require_number(friction, "friction coefficient", high=5.0)
    require_number(angle_deg, "hook angle", high=90.0, unit="°")
    return angle_deg >= 90.0 - math.degrees(math.atan(friction)) - 1e-12


def find_mating_force(deflection_force: float, *, angle_deg: float, friction: float = FRICTION) -> float:
    """Return the force that pushes the hook over its slope, N: P * (mu + tan a) / (1 - mu * tan a).

    Args:
        deflection_force: P, N.
        angle_deg: a, lead angle when pushing in, return angle when pulling out.
        friction: mu.

    Returns:
        N; infinite where the slope locks.

    Raises:
        EnduranceError: negative force or friction, an angle outside 0 to 90°.

    References:
        Snap-Fit Joints for Plastics, a design guide, p. 14 (read).
    """
    require_number(deflection_force, "deflection force", unit="N")
    if locks(friction, angle_deg):
        return math.inf
    return deflection_force * math.tan(math.radians(angle_deg) + math.atan(friction))


def find_fillet(thickness: float) -> float:
    """Return the root fillet to make, mm: half the thickness, but at least 0.4 mm.

    Args:
        thickness: at the root, mm.

    Returns:
        mm.

    Raises:
        EnduranceError: a thickness that is not positive.

    References:
        A moulder's page (read): a quarter to three quarters of the thickness, half is suggested; another (read): below half of it
        stress rises fast. `find_root_concentration` says how much.
    """
    return max(0.5 * require_number(thickness, "tab thickness", low=1e-6, unit="mm"), LEAST_FILLET)


# Coefficients of C1..C4 in 1, sqrt(s/r), s/r, s the height of the shoulder: for s/r from 0.1 to 2, and from 2
# to 20.
_BLUNT = ((1.007, 1.000, -0.031), (-0.270, -2.404, 0.749), (0.677, 1.133, -0.904), (-0.414, 0.271, 0.186))
_SHARP = ((1.042, 0.982, -0.036), (-3.599, 1.619, -0.431), (6.084, -5.607, 1.158), (-2.527, 3.006, -0.691))


def find_root_concentration(radius: float, thickness: float) -> float:
    """Return the stress concentration in the fillet at the root of an arm that stands on a thick wall.

    The wall is taken as a bar three times as thick as the arm: a thicker one adds little, and the formula
    knows no endless one.

    Args:
        radius: of the fillet, mm; from 1/20 to 10 times the thickness.
        thickness: of the arm at the root, mm.

    Returns:
        Kt, 1 or more: greatest over nominal bending stress.

    Raises:
        EnduranceError: a fillet outside that range: sharper ones are not to be made.

    References:
        Roark, table 17.1: square shoulder with fillet in a member of rectangular section, in-plane bending
        (read).
    """
    require_number(thickness, "tab thickness", low=1e-6, unit="mm")
    require_number(
        radius,
        "root fillet",
        low=thickness / 20.0,
        high=thickness * 10.0,
        unit="mm",
        hint=f"{find_fillet(thickness):g} mm is right for a tab of {thickness:g} mm",
    )
    step = thickness / radius  # shoulder of the bar of three thicknesses over the radius
    depth = 2.0 / 3.0  # both shoulders over the thickness of that bar
    rows = _BLUNT if step <= 2.0 else _SHARP
    kt = sum((a + b * math.sqrt(step) + c * step) * depth**n for n, (a, b, c) in enumerate(rows))
    return max(1.0, kt)


def find_permissible_strain(material: Material, *, repeated: bool = False, upright: bool = False) -> float:
    """Return the strain a printed arm of this material bears at its root.

    Args:
        material: a row of the table.
        repeated: it is opened again and again.
        upright: the layers lie across the arm: half.

    Returns:
        Strain, a pure number.

    Raises:
        EnduranceError: the material is not for snap arms.

    References:
        Our rule, from the strains at which printed bars broke and a moulder's guide (read): `permissible` in `materials.toml`.
    """
    quantity = material.snap_repeated_pct if repeated else material.snap_once_pct
    if quantity is None:
        raise EnduranceError(
            f"{material.name} has no permissible strain: not for snap arms",
            "tab",
            "take PETG, ASA, PC or PA12 for a part with tabs",
        )
    return quantity.low / 100.0 * (UPRIGHT_SHARE if upright else 1.0)


def judge_snap(
    arm: Arm, deflection: float, material: Material, *, repeated: bool = False, upright: bool = False
) -> Snap:
    """Say whether an arm bears its deflection, and what would.

    Args:
        arm: the arm.
        deflection: of the tip, mm.
        material: a row of the table.
        repeated: it is opened again and again.
        upright: the layers lie across the arm.

    Returns:
        Snap: "fail" above the permissible strain, "caution" for an upright arm within it, else "pass".

    Raises:
        EnduranceError: negative deflection, a material that is not for snap arms.

    References:
        `find_strain`, `find_permissible_strain`.
    """
    allowed = find_permissible_strain(material, repeated=repeated, upright=upright)
    strain = find_strain(arm, deflection)
    slender = arm.length > SLENDER * arm.thickness
    notes = ["the arm must come back to rest: no strain may stay in it after seating"]
    if upright:
        notes.append(
            "layers lie across the arm, where it is weakest: print the part so that they lie along it"
        )
    if not slender:
        notes.append(
            "the arm is short for its thickness: its forces are over-estimated, do not count on them"
        )
    verdict: Verdict = "fail" if strain > allowed else "caution" if upright else "pass"
    quantity = material.snap_repeated_pct if repeated else material.snap_once_pct
    assert quantity is not None  # find_permissible_strain has refused it
    return Snap(
        verdict=verdict,
        strain_pct=100.0 * strain,
        allowed_pct=100.0 * allowed,
        length_needed=find_length_needed(arm, deflection, allowed),
        deflection_limit=find_deflection_limit(arm, allowed),
        slender=slender,
        notes=tuple(notes),
        source=quantity.source,
        tag=quantity.tag,
    )
