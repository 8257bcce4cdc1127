"""Serves the office's pages on the loopback address only."""

import functools
import http.server
from pathlib import Path

from cabapp.reports.render.page_elements import SCRIPT_HASH

HERE = "127.0.0.1"


class Pages(http.server.SimpleHTTPRequestHandler):
    """Hands out the files of one folder: no listings, nothing hidden, nothing kept in a cache."""

    def log_message(self, *_):
        """Log nothing: the terminal belongs to the operator."""

    def list_directory(self, _path):
        """Refuse a listing; the home page links all there is."""
        self.send_error(404)

    def send_head(self):
        """Refuse a name of another host: a page elsewhere could otherwise read these by it."""
        host = (self.headers.get("Host") or "").rsplit(":", 1)[0]
        if host not in (HERE, "localhost"):
            return self.send_error(403)
        try:
            return super().send_head()
        except ValueError:  # a name no file can have, such as one with NUL
            return self.send_error(404)

    def end_headers(self):
        """Let a page neither fetch from elsewhere nor be framed."""
        self.send_header("Cache-Control", "no-store")
        self.send_header("Content-Security-Policy", f"default-src 'self'; style-src 'unsafe-inline'; script-src '{SCRIPT_HASH}'; frame-ancestors 'none'")  # fmt: skip
        super().end_headers()


def server(directory: Path, port: int = 0) -> http.server.ThreadingHTTPServer:
    """Return a server of a folder on the loopback address; port 0 takes any free one."""
    handler = functools.partial(Pages, directory=str(directory))
    return http.server.ThreadingHTTPServer((HERE, port), handler)
