"""Runs the page on this machine alone until it is stopped."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import TYPE_CHECKING

from dictate.errors import UserFault
from dictate.review.guards import Door
from dictate.review.reviewed import Who
from dictate.review.server import Review
from dictate.review.shelf import Shelf

if TYPE_CHECKING:
    from uvicorn import Server


def listening(port: int) -> socket.socket:
    """A socket on 127.0.0.1; port 0 takes any that is free.

    Raises:
        UserFault: the port is taken.
    """
    held = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        held.bind(("127.0.0.1", port))
        held.listen(1024)
    except OSError as error:
        held.close()
        raise UserFault(
            f"Port {port} is taken or not allowed; choose another with --port, or leave it out."
        ) from error
    return held


def server(shelf: Shelf, door: Door, who: Who) -> Server:
    """What answers for the page; it runs on a socket of :func:`listening`."""
    import uvicorn

    return uvicorn.Server(
        uvicorn.Config(
            Review(shelf, door, who).app,
            log_level="warning",
            access_log=False,
            server_header=False,
            lifespan="off",
            timeout_keep_alive=30,
            timeout_graceful_shutdown=2,
        )
    )


def serve(shelf: Shelf, who: Who, port: int, opened: Callable[[str], None]) -> None:
    """Show the page until interrupted; ``opened`` is told the address that opens it once.

    Raises:
        UserFault: the port is taken.
    """
    with listening(port) as held:
        door = Door(held.getsockname()[1])
        opened(door.address)
        try:
            server(shelf, door, who).run(sockets=[held])
        except KeyboardInterrupt:
            pass
        finally:
            shelf.close()
