"""The document that loads the page of a session, and the files that it loads.

It is answered before anything heavy is imported: while the browser reads its scripts, the project is read.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

__all__ = ["STATIC", "ClientFiles", "client_files", "document"]

STATIC = Path(__file__).parent / "static"


class ClientFiles(NamedTuple):
    """Folders of the client's files, and the names of what is loaded from there."""

    client: Path
    script: str
    style: str
    view: Path
    view_script: str


def client_files() -> ClientFiles:
    """Return where the packages that are installed keep what a browser loads; none of them is imported."""
    client = _folder("trame_client") / "module" / "vue3-www"
    (script,), (style,) = (sorted((client / "assets").glob(f"index-*.{end}")) for end in ("js", "css"))
    view = _folder("trame_vtk") / "modules" / "common" / "serve"
    (view_script,) = sorted(view.glob("*.js"))
    return ClientFiles(client, f"assets/{script.name}", f"assets/{style.name}", view, view_script.name)


def _folder(package: str) -> Path:
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError(package)
    return Path(spec.origin).parent


def document(static: str, files: ClientFiles) -> str:
    """Return the HTML document of a session.

    Parameters
    ----------
    static : str
        Where files are served from.
    files : ClientFiles
    """
    # the script of the view stands before the client's, which looks for what it brings once a session answers
    return f"""<!doctype html>
<html lang="en" data-app-name="slabpose" data-launcher-retry="[]">
<head><meta charset="utf-8"><title>slabpose</title>
<meta name="viewport" content="width=device-width,initial-scale=1">
<link rel="icon" href="{static}/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="{static}/client/{files.style}">
<link rel="stylesheet" href="{static}/app.css">
<script defer src="{static}/client/vue.global.js"></script>
<script defer src="{static}/view/{files.view_script}"></script>
<script type="module" src="{static}/client/{files.script}"></script>
<script type="module" src="{static}/app.js"></script></head>
<body><noscript>This page needs JavaScript; all of it comes from this machine.</noscript>
<div id="app"><main class="wait"><h1>slabpose</h1><p role="status">Reading the section &#8230;</p></main></div>
</body></html>
"""
