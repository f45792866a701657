"""Connections that ask for nothing are let go, so that they cannot use up what the server may hold open."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["Patient"]


class Patient(H11Protocol):
    """A connection that is closed where the head of a request does not come in time.

    The server's own time limit counts between requests only; this one counts before the first, and while
    the head of any comes in pieces. Bodies have a limit of their own, see :mod:`.uploads`.
    """

    seconds: float = 20.0
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes in; wait on where they are no whole head yet."""
        super().data_received(data)
        if self._asking():
            if self._timer is None:
                self._wait()
        else:
            self._stop()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop()
        super().connection_lost(exc)

    def _asking(self) -> bool:
        """Return whether no request is being answered."""
        return self.cycle is None or self.cycle.response_complete

    def _wait(self) -> None:
        self._timer = self.loop.call_later(self.seconds, self._give_up)

    def _stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _give_up(self) -> None:
        self._timer = None
        if self._asking() and not self.transport.is_closing():
            self.transport.close()
