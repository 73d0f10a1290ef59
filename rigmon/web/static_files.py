"""The pages' files, read once: a request's path is looked up in a table, never in the file system."""

import hashlib
from importlib.resources import files
from typing import Final, NamedTuple

_TYPES: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
    ".mp4": "video/mp4",
}
#: what is served beside /static/<name>
PAGES: Final = {"/": "driver.html", "/crew": "crew.html"}


class File(NamedTuple):
    body: bytes
    kind: str  #: its media type
    etag: str


def table() -> dict[str, File]:
    """Every file of the package's `static` folder by the path that it is served under."""
    found: dict[str, File] = {}
    for entry in files("rigmon.web").joinpath("static").iterdir():
        name = entry.name
        kind = _TYPES.get("." + name.rpartition(".")[2])
        if kind is not None and entry.is_file():
            body = entry.read_bytes()
            found[f"/static/{name}"] = File(body, kind, f'"{hashlib.sha256(body).hexdigest()[:20]}"')
    for path, name in PAGES.items():
        if f"/static/{name}" in found:
            found[path] = found[f"/static/{name}"]
    return found
