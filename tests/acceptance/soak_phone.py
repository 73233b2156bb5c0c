"""Where the messages to people go in the soak: taken, and counted."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Phone(ThreadingHTTPServer):
    """Takes the messages to people, and counts them."""

    def __init__(self) -> None:
        self.count = 0
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers.get("Content-Length", 0)))
                phone.count += 1
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_given: object) -> None:
                return

        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, daemon=True).start()
