"""What the command serve does."""

from __future__ import annotations

import gc
import importlib.util
from pathlib import Path

from geometry.errors import Fault, InputError
from viewer.cli.options import OK

__all__ = ["NEEDED", "run_serve"]

NEEDED = ("trame", "trame_vtk", "aiohttp")
"""Packages of the extra that brings the browser app."""
_LEAST_TOKEN = 12


def run_serve(project: Path, host: str, port: int, token: str | None, browser: bool) -> int:
    """Serve a project to browsers until Ctrl-C.

    Raises
    ------
    InputError
        If the packages are missing, the token is too short, or the port or address cannot be had.
    """
    lacking = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if lacking:
        raise InputError([Fault("slabpose serve", f"the packages {', '.join(NEEDED)}", f"no {', '.join(lacking)}",
                                "pip install 'slabpose[app]'")])  # fmt: skip
    if token is not None and len(token) < _LEAST_TOKEN:
        raise InputError([Fault("--token", f"{_LEAST_TOKEN} characters or more", f"{len(token)}",
                                "leave it out for a random one")])  # fmt: skip
    gc.disable()  # starting makes many objects that stay: looking for garbage among them is a tenth of the wait
    try:
        from viewer.app.server import serve

        serve(project, host, port, token, open_browser=browser)
    except OSError as fault:
        if fault.errno is None or fault.filename is not None:
            raise
        found = (fault.strerror or str(fault)).lower()
        told = Fault(f"--port {port}, --host {host}", "an address and a port that are free", found,
                     "--port 0 takes any that is free")  # fmt: skip
        raise InputError([told]) from fault
    finally:
        gc.enable()
    return OK
