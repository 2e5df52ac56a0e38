"""Every failure the user can mend, as one tree; a bug stays an ordinary exception.

    MountgenError
    ├── ScanError        reading and mending the scan file
    ├── DatumError       mouth, draw direction, up
    ├── FieldError       height field and unseen areas
    ├── SectionError     level sets
    ├── LoftError        sections to a solid
    ├── FeatureError     a feature that does not fit
    ├── RecipeError      the recipe file or a --set value
    ├── MaterialError    material table
    ├── EnduranceError   heat, load, tape, snap or fit: a value that cannot be
    ├── InspectionError  the gauge itself cannot be set up
    ├── ExportError      writing a file
    └── KernelError      the solid kernel is missing or refuses an operation

Each says what is wrong (with the number found), where (in the user's terms) and what to do next.
"""

from __future__ import annotations


class MountgenError(Exception):
    """Base of every failure the user can mend.

    Args:
        what: what is wrong, with the number found.
        where: the place, in the user's terms (file, line and key, clock position, feature name).
        remedy: what to do next.
    """

    def __init__(self, what: str, where: str, remedy: str) -> None:
        super().__init__(what, where, remedy)  # positional, so that it pickles
        self.what, self.where, self.remedy = what, where, remedy

    def __str__(self) -> str:
        return f"{self.what}\n  where:  {self.where}\n  remedy: {self.remedy}"


class ScanError(MountgenError):
    """The scan file cannot be read, or is not a scan of a recess."""


class DatumError(MountgenError):
    """Mouth, draw direction or up cannot be found."""


class FieldError(MountgenError):
    """The height field cannot be built."""


class SectionError(MountgenError):
    """The insertable space cannot be sliced."""


class LoftError(MountgenError):
    """The sections cannot be lofted into a solid."""


class FeatureError(MountgenError):
    """A feature of the recipe does not fit."""


class RecipeError(MountgenError):
    """The recipe file, or a value given on the command line, is wrong."""


class MaterialError(MountgenError):
    """The material is unknown or its row is wrong."""


class EnduranceError(MountgenError):
    """A value given for heat, load, tape, snap or fit cannot be what the user meant."""


class InspectionError(MountgenError):
    """The body or the scan cannot be gauged."""


class ExportError(MountgenError):
    """A file cannot be written."""


class KernelError(MountgenError):
    """The solid kernel is missing, or refuses an operation."""


def was_stopped(error: BaseException | None) -> bool:
    """Return whether Ctrl-C is what led to an error: compiled code makes an error of its own of whatever is raised within."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None
