"""The application's driver behind the server: its terminal is a pair of pipes.

The server may be killed at any moment. Its end of the pipes then closes, and that is the
one sign by which this process knows that nobody watches any more.
"""

from __future__ import annotations

import os
import threading

from textual import messages
from textual.drivers.web_driver import WebDriver

END_S = 5.0  # for closing the board and the store; both take a cut at any point


class PipedDriver(WebDriver):
    """Textual's driver for pipes; the application ends with them."""

    def write(self, data: str) -> None:
        """Data for the terminal; none where there is nobody to read it."""
        try:
            super().write(data)
        except BrokenPipeError:
            self._leave()

    def write_meta(self, data: dict[str, object]) -> None:
        """News about the application, likewise."""
        try:
            super().write_meta(data)
        except BrokenPipeError:
            self._leave()

    def run_input_thread(self) -> None:
        """Hear keys until the input ends, and the application with it."""
        super().run_input_thread()
        self._leave()

    def _leave(self) -> None:
        last = threading.Timer(END_S, os._exit, (1,))
        last.daemon = True
        last.start()
        if not self.exit_event.is_set():
            self._app.post_message(messages.ExitApp())
