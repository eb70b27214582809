"""After each request the records are taken into the logbook, behind the answer."""

from __future__ import annotations

from api.guard import App, Message, Receive, Send
from diagnose.logbook.behind import Intake


class TakesIn:
    """Tells the logbook that a request was served: it may have written a record."""

    def __init__(self, app: App, intake: Intake) -> None:
        self.app, self.intake = app, intake

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve one request."""
        try:
            await self.app(scope, receive, send)
        finally:
            if scope["type"] == "http":
                self.intake.tell()
