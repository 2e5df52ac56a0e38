"""STEP AP242 through the solid kernel: one named solid in millimetres, the same bytes for the same solid.

Only OCP is imported, not the layer above it, which saves a second of start-up. The kernel writes into
memory, so that no path, no locale and no half-written file is its concern; it also prints a report of each
transfer on the terminal, which is silenced.

Two things the kernel puts into a file are replaced: the time stamp in the header, and a running number in
the product's name. Letters outside ASCII are spelt as the format asks (ISO 10303-21, 6.4.3.3: X2 and X4
directives), where the kernel passes raw UTF-8.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from mountgen.errors import ExportError
from mountgen.kernel import solids_of

SCHEMA = "AP242DIS"  # the kernel's word for ISO 10303-242, managed model based 3D engineering
SETTINGS = {
    "write.step.schema": SCHEMA,
    "write.step.unit": "MM",
    "write.surfacecurve.mode": "0",  # edges in space only: with curves on the faces besides, a valid tray was none once read
}
TIME_STAMP = "1980-01-01T00:00:00"  # fixed, as in the 3MF package, so that the same part gives the same file

_NOT_ASCII = re.compile(
    rb"[\x80-\xff](?:\n?[\x80-\xff])*"
)  # the kernel may break a long line inside a letter


def encode_step(solid: Any, *, name: str, description: str = "", author: str = "") -> bytes:
    """Return `solid` as a STEP file.

    Args:
        solid: TopoDS_Shape holding exactly one solid, mm, part frame.
        name: of the product and the solid; the header's file name is this with ".step".
        description: one sentence, for the header.
        author: for the header; may be empty.

    Returns:
        bytes: ISO 10303-21, AP242.

    Raises:
        ExportError: there is not exactly one solid, or the kernel cannot translate it.

    References:
        ISO 10303-21:2016 (file), ISO 10303-242:2014 (schema).
    """
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    where = f"{name}.step"
    only = _only_solid(solid, where)
    stream = io.BytesIO()
    with quiet_kernel():
        writer = STEPControl_Writer()  # the first one defines the settings that are set next
        with _settings(SETTINGS):
            status = writer.Transfer(only, STEPControl_StepModelType.STEPControl_AsIs)
            if status != IFSelect_ReturnStatus.IFSelect_RetDone:
                raise _refused(where, status)
            _name_entities(writer.Model(), name)
            _fill_header(writer.Model(), where, description, author)
            status = writer.WriteStream(stream)
    if status != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise _refused(where, status)
    return _NOT_ASCII.sub(_spell_letters, stream.getvalue())


@contextmanager
def quiet_kernel() -> Iterator[None]:
    """Take the kernel's own printers off its messenger for the length of the block.

    Yields:
        None.

    Raises:
        Nothing of its own.
    """
    from OCP.Message import Message

    messenger = Message.DefaultMessenger_s()
    printers = list(messenger.Printers())
    for printer in printers:
        messenger.RemovePrinter(printer)
    try:
        yield
    finally:
        for printer in printers:
            messenger.AddPrinter(printer)


@contextmanager
def _settings(wanted: dict[str, str]) -> Iterator[None]:
    """Set the kernel's global exchange settings and put the old ones back."""
    from OCP.Interface import Interface_Static

    before = {key: Interface_Static.CVal_s(key) for key in wanted}
    try:
        for key, value in wanted.items():
            if not Interface_Static.SetCVal_s(key, value):
                raise ExportError(
                    f"the solid kernel does not know {key} = {value}",
                    "STEP",
                    "install the kernel version that mountgen asks for",
                )
        yield
    finally:
        for key, value in before.items():
            Interface_Static.SetCVal_s(key, value)


def _only_solid(shape: Any, where: str) -> Any:
    found = [] if shape is None or shape.IsNull() else solids_of(shape)
    if len(found) != 1:
        raise ExportError(
            f"the body is made of {len(found)} solids, not of one",
            where,
            "move or shrink the feature that stands apart",
        )
    return found[0]


def _name_entities(model: Any, name: str) -> None:
    """Name the product and its solid; the kernel numbers its products on from file to file."""
    for number in range(1, model.NbEntities() + 1):
        entity = model.Value(number)
        kind = type(entity).__name__
        if kind == "StepBasic_Product":
            entity.SetId(_text(name))
            entity.SetName(_text(name))
        elif kind in ("StepShape_ManifoldSolidBrep", "StepShape_BrepWithVoids"):
            entity.SetName(_text(name))


def _fill_header(model: Any, file_name: str, description: str, author: str) -> None:
    from OCP.APIHeaderSection import APIHeaderSection_MakeHeader

    header = APIHeaderSection_MakeHeader(model)
    header.SetName(_text(file_name))
    header.SetTimeStamp(_text(TIME_STAMP))
    header.SetDescriptionValue(1, _text(description))
    header.SetAuthorValue(1, _text(author))
    header.SetOrganizationValue(1, _text(""))
    header.SetAuthorisation(_text(""))
    header.SetOriginatingSystem(_text("mountgen"))


def _text(text: str) -> Any:
    from OCP.TCollection import TCollection_HAsciiString

    return TCollection_HAsciiString(" ".join(text.split()))


def _spell_letters(match: re.Match[bytes]) -> bytes:
    letters = match.group().replace(b"\n", b"").decode("utf-8")
    directive, encoding = ("X2", "utf-16-be") if max(letters) <= "\uffff" else ("X4", "utf-32-be")
    return f"\\{directive}\\{letters.encode(encoding).hex().upper()}\\X0\\".encode("ascii")


def _refused(where: str, status: Any) -> ExportError:
    return ExportError(
        f"the solid kernel could not translate the body ({status})",
        where,
        "report this with the recipe; STL and 3MF do not need it",
    )
