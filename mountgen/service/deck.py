"""A deck under the device's weight, piece by piece: a column where it bears, a beam, cantilever or plate where it spans."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from mountgen.place import describe_place
from mountgen.service.bearing import Bearing, Span
from mountgen.stiffness import (
    Bending,
    bend_beam,
    bend_cantilever,
    bend_plate_four_edges,
    bend_plate_three_edges,
)

# Of its own size, the even load that bends at least as much as a load gathered anywhere: at midspan of a beam moment
# and sag are 2 and 1.6 times those of an even one, at a cantilever's end 2 and 8/3 times.
GATHERED, GATHERED_AT_END = 2.0, 8.0 / 3.0
STOUT = 2.0  # thicknesses; a shorter span passes its load straight on to its sides, and the theory of plates ends
STRIP, ONE_EDGE = 0.5, 0.5  # of its sides, below which what runs around bearing deck is a strip; of its border: one of two edges
LEAST_RATIO = 0.5  # of depth to free edge, below which the table of plates with a free edge has no row
SOURCES = {
    "column": "solid from the deck to where it bears: weight over area",
    "plate on four edges": "Roark's Formulas for Stress and Strain, 7th ed., table 11.4 (read)",
    "plate on three edges": "Roark's Formulas for Stress and Strain, table 26 case 2a (read, one value corrected)",
    "beam": "beam on two edges, Euler-Bernoulli (textbook formula, checked here by integration)",
    "cantilever": "cantilever, Euler-Bernoulli (textbook formula, checked here by integration)",
    "not carried": "nothing of the scan lies near enough to carry it",
}


@dataclass(frozen=True)
class Piece:
    """A piece of deck that acts as one.

    model  : a key of SOURCES.
    span   : mm, its free length: of a column its height.  width: mm, across it; of a plate its other side.
    thickness : mm, along the load.
    area   : mm², under an even pressure.
    loaded : mm² of it on which the device rests.
    gathered : what even load, of the device's own, stands for one that may be gathered in one place.
    place  : where its middle is, in words.
    origin : the span it stands for; None for a column.
    pulls  : along which of "along", "inwards", "up" it is pulled or pressed most.
    """

    model: str
    span: float
    width: float
    thickness: float
    area: float
    loaded: float
    gathered: float
    place: str
    origin: Span | None = None
    pulls: frozenset[str] = frozenset(("up",))


def list_pieces(bearing: Bearing, spans: tuple[Span, ...]) -> tuple[Piece, ...]:
    """Return the pieces of a deck: each span that bends, and one column of all that bears or is too stout to bend."""
    pieces = [choose_model(span) for span in spans]
    bends = [piece for piece in pieces if piece.model == "not carried" or piece.span > STOUT * piece.thickness]
    column = bearing.rests & bearing.bears
    for span, piece in zip(spans, pieces, strict=True):
        if piece not in bends:
            column = column | (span.cells & bearing.rests)
    if column.any():
        height = float(np.max((bearing.top - bearing.bottom)[column]))
        area = bearing.area(column)
        place = describe_place(bearing.place(column))
        bends.append(Piece("column", height, 0.0, height, area, area, 1.0, place))
    return tuple(bends)


def choose_model(span: Span) -> Piece:
    """Return how a span acts, from the sides at which it is held; where two models hold, that which sags less.

    A strip around bearing deck, such as a tray's floor along a rounded bottom edge, stands out from that by its width.
    """
    x, s, held = span.along, span.inwards, span.held
    across, along = {"left", "right"} <= held, {"front", "back"} <= held
    area = x * s
    piece = Piece(
        "not carried", min(x, s), max(x, s), span.thickness, area, span.loaded, GATHERED,
        describe_place(span.place), span, frozenset(("along", "inwards")),
    )  # fmt: skip
    choices: list[Piece] = []
    if across and along:
        choices.append(replace(piece, model="plate on four edges", span=min(x, s, span.narrow)))
    elif len(held) == 3:
        free, depth = (s, x) if along else (x, s)
        if depth >= LEAST_RATIO * free:
            choices.append(replace(piece, model="plate on three edges", span=free, width=depth))
    if across and not along:
        choices.append(replace(piece, model="beam", span=x, width=s, pulls=frozenset(("along",))))
    if along and not across:
        choices.append(replace(piece, model="beam", span=s, width=x, pulls=frozenset(("inwards",))))
    if not choices or len(held) == 3:
        ends = [(x, s, "along")] * bool(held & {"left", "right"}) + [(s, x, "inwards")] * bool(held & {"front", "back"})
        choices += [
            replace(
                piece, model="cantilever", span=length, width=width, gathered=GATHERED_AT_END, pulls=frozenset((way,))
            )
            for length, width, way in ends
        ]
    if span.narrow < STRIP * min(x, s) and span.border >= ONE_EDGE:
        choices.append(
            replace(
                piece, model="cantilever", span=span.narrow, width=span.area / span.narrow, area=span.area,
                gathered=GATHERED_AT_END,
            )
        )  # fmt: skip
    return min(choices, key=lambda each: bend_piece(each, weight=1.0, loaded=span.loaded, modulus=1000.0).sag, default=piece)


def find_load_on(piece: Piece, *, weight: float, loaded: float) -> float:
    """Return the even load that stands for what a device puts on a piece, N.

    The pressure is that under the device, as if it lay on the whole piece, but no more than the piece's share of
    the weight counts for if it is gathered in the worst place.

    Args:
        piece: of the deck.
        weight: of the device, N.
        loaded: mm² of all pieces on which the device rests.
    """
    return min(weight * piece.area, piece.gathered * weight * piece.loaded) / loaded


def bend_piece(piece: Piece, *, weight: float, loaded: float, modulus: float) -> Bending:
    """Bend a piece of deck under a device.

    Args:
        piece: of the deck.
        weight: of the device times the load factor, N.
        loaded: mm² of all pieces on which the device rests.
        modulus: MPa; 0 for a material that has gone soft, which sags without end.

    Returns:
        Bending.
    """
    load = find_load_on(piece, weight=weight, loaded=loaded)
    if piece.model == "not carried":
        return Bending(inf, inf, piece.span)
    if modulus <= 0.0:
        return replace(bend_piece(piece, weight=weight, loaded=loaded, modulus=1.0), sag=inf)
    if piece.model == "column":
        stress = load / piece.area
        return Bending(stress / modulus * piece.span, stress, piece.span)
    if piece.model == "beam":
        return bend_beam(load, span=piece.span, width=piece.width, thickness=piece.thickness, modulus=modulus)
    if piece.model == "cantilever":
        return bend_cantilever(load, span=piece.span, width=piece.width, thickness=piece.thickness, modulus=modulus)
    pressure = load / piece.area
    if piece.model == "plate on three edges":
        return bend_plate_three_edges(
            pressure, free_edge=piece.span, depth=piece.width, thickness=piece.thickness, modulus=modulus
        )
    return bend_plate_four_edges(
        pressure, length=piece.width, width=piece.span, thickness=piece.thickness, modulus=modulus
    )


def cut_by_ribs(span: Span, *, ribs: int, rib: float) -> Piece | None:
    """Return the piece that is left of a span where more ribs cut it into equal parts from left to right.

    Args:
        span: held at its left and right.
        ribs: how many more.
        rib: their thickness, mm.

    Returns:
        Piece; None where the ribs would not help or leave no room.
    """
    along = (span.along - ribs * rib) / (ribs + 1)
    if not {"left", "right"} <= span.held or along <= 0.0:
        return None
    return choose_model(replace(span, along=along, loaded=span.loaded * along / span.along))
