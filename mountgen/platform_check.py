"""Look before the solid kernel is loaded: what a slim machine lacks is named, with the package that has it.
A leaf."""

from __future__ import annotations

import importlib
import re
import sys

from mountgen.errors import KernelError, was_stopped
from mountgen.loading import loading

# Shared library that a plain container or server lacks, to the package that has it, by package manager.
_PACKAGES = {
    "libGL.so.1": {"apt-get": "libgl1", "dnf": "mesa-libGL", "pacman": "libglvnd", "zypper": "Mesa-libGL1"},
    "libX11.so.6": {"apt-get": "libx11-6", "dnf": "libX11", "pacman": "libx11", "zypper": "libX11-6"},
    "libXrender.so.1": {"apt-get": "libxrender1", "dnf": "libXrender", "pacman": "libxrender"},
    "libgomp.so.1": {"apt-get": "libgomp1", "dnf": "libgomp", "pacman": "gcc-libs", "zypper": "libgomp1"},
}
_VERBS = {"apt-get": "install", "dnf": "install", "pacman": "-S", "zypper": "install"}


def require_kernel() -> None:
    """Load the solid kernel, so that whoever imports it next finds it.

    Raises:
        KernelError: it is not installed, or the system lacks a shared library that it needs.
        KeyboardInterrupt: Ctrl-C came while it was loading, of which the kernel makes a failed import.
    """
    try:
        with loading():
            importlib.import_module("OCP.gp")
    except ImportError as error:
        if was_stopped(error):
            raise KeyboardInterrupt from None
        raise explain_import_error(error, platform=sys.platform) from error


def explain_import_error(error: ImportError, *, platform: str) -> KernelError:
    """Return our own words for a failed import of the solid kernel.

    Args:
        error: as Python raised it.
        platform: as `sys.platform`.

    Returns:
        KernelError: to be raised by the caller.

    Raises:
        Nothing.
    """
    where = "the solid kernel (OCP, installed with cadquery)"
    if isinstance(error, ModuleNotFoundError) and (error.name or "").split(".")[0] == "OCP":
        return KernelError(
            "the solid kernel is not installed",
            where,
            f'install it for this Python: {sys.executable} -m pip install "cadquery>=2.8,<2.9"',
        )
    missing = re.search(r"(lib[\w.+-]+\.so[.\d]*)", str(error))
    if platform.startswith("linux") and missing:
        library = missing.group(1)
        what = f"the system has no {library}, which the solid kernel loads"
        return KernelError(what, where, _name_packages(library))
    if platform == "win32" and "DLL load failed" in str(error):
        return KernelError(
            f"a system library that the solid kernel loads is missing ({error})",
            where,
            "install the Visual C++ runtime (x64) and, on a server edition, its desktop graphics components",
        )
    return KernelError(
        f"the solid kernel does not load ({error})",
        where,
        f'install it anew: {sys.executable} -m pip install --force-reinstall "cadquery>=2.8,<2.9"',
    )


def _name_packages(library: str) -> str:
    packages = _PACKAGES.get(library)
    if packages is None:
        return f"install the package that holds {library} with the system's package manager"
    ways = [f"{tool} {_VERBS[tool]} {package}" for tool, package in packages.items()]
    return f"as administrator, install the package that holds it: {', or '.join(ways)}"
