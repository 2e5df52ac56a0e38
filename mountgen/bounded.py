"""Work of the solid kernel that is given up when it takes too long.

Roundings and booleans near tangents have run for minutes without an end, and nothing in the process itself can stop them. So what
may run away is done by a child process, which the system ends after so many seconds of its own CPU time; the solid comes back as
bytes in the kernel's own format. Where processes cannot be forked (Windows) it is done as ever, without a limit.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Callable, Sequence
from typing import Any

from mountgen.child import Child, can_fork
from mountgen.errors import KernelError
from mountgen.solid_store import read_solid, recall_solid, write_solid

LONGEST = 40.0  # s of CPU; ten times what the slowest boolean of an example takes, but for a hollow's
KEYS = {  # of the recipe, which a change of some tenths may help, by feature
    "cavity": "body.wall", "cable slot": "cable.width", "deck, seat and lip": "deck.height", "dividers": "dividers.thickness",
    "flange": "flange.width", "hollow": "body.wall", "hooks of the retaining tabs": "tabs.hook", "lip": "lip.height",
    "pull tab": "pull_tab.width", "reach": "fit.reach", "retaining tabs": "tabs.length", "rounding": "body.edge_radius",
    "tape pads": "tape.length",
}  # fmt: skip
PATIENCE = 8.0  # s of the clock for each second of CPU, should the child wait for something that never comes
FEWEST = 400  # poles of a solid's splines; with fewer nothing has been seen to run away
HEAD = struct.Struct("<?Q")  # whether it is a solid, and the number of bytes that follow

Solid = Any  # TopoDS_Shape
_at_work = False  # what is done as a part of other work is done by the same process


def run_bounded(
    make: Callable[[], Solid], given: Solid, *, what: str, seconds: float = LONGEST, made_of: Sequence[str | Solid] = ()
) -> Solid:
    """Return the solid that `make` makes, unless that takes too long.

    Args:
        make: makes it of what it closes over; nothing else that it does is seen by the caller.
        given: the largest solid that goes in; where it has few curved faces no child is asked.
        what: the feature's name, for the error.
        seconds: of CPU, at most.
        made_of: words and solids that alone decide the result, which is then kept (see `solid_store`).

    Raises:
        KernelError: it takes longer, or the kernel fails in whatever way, or takes the child down with it.
        Exception: whatever `make` raises.
    """
    global _at_work
    if _at_work:
        return _translate(make, what)
    _at_work = True
    try:
        if not can_fork() or not _has_splines(given):
            return _translate(make, what)
        return read_solid(recall_solid(made_of, lambda: _ask_child(make, what, seconds)))
    finally:
        _at_work = False


def _ask_child(make: Callable[[], Solid], what: str, seconds: float) -> bytes:
    """Return what `make` makes in a child, as bytes. Errors as for `run_bounded`."""
    child = Child(lambda: _answer(make, what), seconds=seconds)
    try:
        data = child.listen(PATIENCE * seconds)
    finally:
        child.stop()
    if len(data) < HEAD.size or len(data) != HEAD.size + HEAD.unpack_from(data)[1]:
        raise KernelError(f"the solid kernel does not get done with the {what}", what, suggest_change(what))
    if not HEAD.unpack_from(data)[0]:
        raise pickle.loads(data[HEAD.size :])  # by our own child
    return data[HEAD.size :]


def _translate(make: Callable[[], Solid], what: str) -> Solid:
    """Return what `make` makes. The kernel's own exceptions, which in Python have no base in common, become our error."""
    try:
        return make()
    except Exception as error:
        if type(error).__module__.startswith("OCP."):
            raise KernelError(f"the solid kernel fails at the {what}", what, suggest_change(what)) from error
        raise


def suggest_change(what: str) -> str:
    """Return what may help where the kernel fails at a feature."""
    return f"change {KEYS.get(what, 'fit.clearance')} by 0.1 to 0.3 mm"


def _has_splines(solid: Solid) -> bool:
    """Return whether a solid's faces lie on splines with many poles."""
    from OCP.BRep import BRep_Tool
    from OCP.Geom import Geom_BSplineSurface
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    explorer, count = TopExp_Explorer(solid, TopAbs_FACE), 0
    while explorer.More() and count < FEWEST:
        surface = BRep_Tool.Surface_s(TopoDS.Face_s(explorer.Current()), TopLoc_Location())
        if isinstance(surface, Geom_BSplineSurface):
            count += surface.NbUPoles() * surface.NbVPoles()
        explorer.Next()
    return count >= FEWEST


def _answer(make: Callable[[], Solid], what: str) -> bytes:
    """Return what `make` makes, or the error, as it is sent."""
    try:
        done, content = True, write_solid(_translate(make, what))
    except Exception as error:
        done, content = False, pickle.dumps(error)
    return HEAD.pack(done, len(content)) + content
