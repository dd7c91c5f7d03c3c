"""What happens, sent to a page for as long as it follows."""

from __future__ import annotations

from collections.abc import AsyncGenerator

from starlette.responses import StreamingResponse
from starlette.types import Send


class EventStream(StreamingResponse):
    """Server-sent events (HTML standard 9.2); whoever gives them knows at once when it is over.

    Parameters
    ----------
    events : async generator of str
    """

    def __init__(self, events: AsyncGenerator[str]) -> None:
        super().__init__(
            events, media_type="text/event-stream", headers={"cache-control": "no-store"}
        )
        self._events = events

    async def stream_response(self, send: Send) -> None:
        """Send all there is, also to somebody who is asked to leave in the middle of it."""
        try:
            await super().stream_response(send)
        finally:
            await self._events.aclose()
