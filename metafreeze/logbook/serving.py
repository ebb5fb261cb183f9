"""Serving the page: on this machine alone, or on the local network behind a code."""

from __future__ import annotations

import io
import ipaddress
import socket
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from metafreeze.errors import InputError, RegisterError, UsageError

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register

PORT = 8417
LOOPBACK = "127.0.0.1"

# An address for documentation (RFC 5737): asking for the way there sends nothing, and names
# the address by which this machine is known on its network.
_ELSEWHERE = ("192.0.2.1", 9)

# Another logbook gives its lock back at once when it ends.
_LOCK_WAIT_S = 1.0
_SHUTDOWN_S = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Where the page is, told once it can be reached.

    Parameters
    ----------
    address : str
        Address of the page.
    code : str
        One-time code; empty on this machine alone.
    taps : int
        Taps that the logbook holds already.
    """

    address: str
    code: str
    taps: int


def serve_logbook(
    register: Register,
    *,
    sheet: str | Path | None = None,
    on_network: bool = False,
    address: str = "",
    port: int = PORT,
    opened: Callable[[Opening], None] = print,
    next_code: Callable[[str], None] = print,
) -> None:
    """Serve the page at the freezer until it is stopped.

    Every tap is on the disk, in the register's folder ``logbook``, before the page hears of it;
    a server that dies loses nothing, and phones send what they kept once it is back.

    Parameters
    ----------
    register : Register
        Receives the closed batches.
    sheet : path, optional
        Run sheet whose batches are offered.
    on_network : bool
        Serve the local network, behind one-time codes, instead of this machine alone. The
        connection is not encrypted: use a network that you trust.
    address : str
        With `on_network`, which of this machine's addresses to use; found out by default.
    port : int
        Port; 0 takes any free one.
    opened : callable
        Told where the page is.
    next_code : callable
        Told each code after the first.

    Returns
    -------
    None

    Raises
    ------
    InputError
        The run sheet cannot be read, or the address is none of a local network.
    RegisterError
        Another logbook of the register is open, the port is taken, or the disk is in the way.
    UsageError
        The extra ``logbook`` is not installed.
    """
    try:
        import uvicorn

        from metafreeze.logbook.application import make_application
    except ModuleNotFoundError as missing:
        raise UsageError(
            f"The logbook needs {missing.name}. Install it: pip install 'metafreeze[logbook]'"
        ) from None
    from metafreeze.logbook.book import Book, folder_of
    from metafreeze.logbook.door import Door
    from metafreeze.logbook.sheets import read_run_sheet

    planned = () if sheet is None else read_run_sheet(Path(sheet))
    host = (address or network_address()) if on_network else LOOPBACK
    require_local(host)
    codes: list[str] = []

    def announce(code: str) -> None:
        # The first one is told with the address.
        if codes:
            next_code(code)
        codes.append(code)

    with ExitStack() as held:
        listening = held.enter_context(listen(host, port))
        port = listening.getsockname()[1]
        held.enter_context(_alone(register, folder_of(register)))
        book = Book(register, planned=planned)
        held.callback(book.close)
        door = Door(book.folder, needs_code=on_network, announce=announce)
        application = make_application(book, door, hosts=names_of(host, port), port=port)
        server = uvicorn.Server(
            uvicorn.Config(
                application,
                lifespan="off",
                ws="none",
                log_level="warning",
                access_log=False,
                server_header=False,
                # Nobody stands in front of this server who could vouch for another address.
                proxy_headers=False,
                timeout_graceful_shutdown=_SHUTDOWN_S,
            )
        )
        opened(
            Opening(
                address=f"http://{_in_address(host)}:{port}/",
                code=codes[0] if codes else "",
                taps=book.count,
            )
        )
        server.run(sockets=[listening])


def spell_code(opening: Opening) -> str:
    """Draw a page's address with its code as a square for a phone's camera.

    The code stands behind the number sign, which browsers send to nobody.

    Parameters
    ----------
    opening : Opening
        Address and code.

    Returns
    -------
    str
        Lines of half blocks for a terminal.
    """
    import segno

    drawn = io.StringIO()
    segno.make(f"{opening.address}join#{opening.code}", micro=False).terminal(
        drawn, compact=True, border=2
    )
    return drawn.getvalue()


def network_address() -> str:
    """Find the address by which this machine is known on its network.

    Returns
    -------
    str

    Raises
    ------
    InputError
        It is on no network.
    """
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.connect(_ELSEWHERE)
            return str(asking.getsockname()[0])
    except OSError:
        raise InputError(
            "This machine is on no network. Join one, or name the address with --address."
        ) from None


def require_local(host: str) -> None:
    """Refuse an address that the whole internet may reach.

    Raises
    ------
    InputError
        It is no address, stands for all addresses, or is public.
    """
    try:
        known = ipaddress.ip_address(host)
    except ValueError:
        raise InputError(f"“{host}” is no address. Give one such as 192.168.1.20.") from None
    if known.is_unspecified or known.is_global or known.is_multicast:
        raise InputError(
            f"{host} is not an address of a local network. The logbook serves only those; name "
            "one of this machine with --address."
        )


def names_of(host: str, port: int) -> frozenset[str]:
    """Name the hosts, with the port, under which a browser may ask for the page."""
    names = {_in_address(host)}
    if ipaddress.ip_address(host).is_loopback:
        names.add("localhost")
    with_port = {f"{name}:{port}" for name in names}
    return frozenset(with_port | names if port == 80 else with_port)


def listen(host: str, port: int) -> socket.socket:
    """Take a port.

    Raises
    ------
    RegisterError
        Somebody has it, or this machine has no such address.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Named in full: the event loop sends answers at once only on sockets that say they are TCP.
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        # A server that was killed may come back at once at the same address.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(128)
    except OSError as trouble:
        listening.close()
        raise RegisterError(
            f"The page cannot be served at {host}, port {port}: {trouble.strerror}. Close what "
            "uses it, or choose another with --port."
        ) from None
    return listening


def _alone(register: Register, folder: Path) -> ExitStack:
    """Hold the logbook's lock: two servers must not write one log."""
    from metafreeze.register.folder.locking import one_writer

    held = ExitStack()
    try:
        held.enter_context(one_writer(folder, wait_s=_LOCK_WAIT_S))
    except RegisterError as taken:
        raise RegisterError(f"The logbook of {register.path} is open already. {taken}") from taken
    return held


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host
