"""Where this service may connect to: public addresses over https, and what the site has named.

Whoever can make a service fetch an address could else reach what only it can: itself, its neighbours, the
metadata of a cloud (OWASP: Server Side Request Forgery Prevention). A name is looked up once, every address
it has is judged, and the connection goes to one that was judged.
"""

import asyncio
import socket
from collections.abc import Awaitable, Callable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from urllib.parse import urlsplit

from service.errors import AddressRefused, ServiceError

__all__ = ["Outgoing", "looked_up"]

_SETTING = "SWALLOW_OUTGOING_HOSTS"
_PORTS = frozenset({80, 443})
"""Of those below 1024; the others are no web servers'."""
_WIRE_SERVER = ip_address("168.63.129.16")
"""A cloud's own, though it looks public."""
_TRANSLATED = (ip_network("64:ff9b::/96"), ip_network("64:ff9b:1::/48"))
"""IPv6 addresses that end in the IPv4 address they lead to (RFC 6052, RFC 8215)."""

LookUp = Callable[[str, int], Awaitable[Sequence[str]]]


async def looked_up(host: str, port: int) -> Sequence[str]:
    """Answer the addresses of a host as the system knows them; OSError if it has none."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(where[0]) for *_, where in found))


class Outgoing:
    """Judges where a connection may go to."""

    def __init__(self, named: str = "", look_up: LookUp = looked_up) -> None:
        """``named``: hosts, addresses and networks of the site, separated by spaces.

        ServiceError if one of them can't be read.
        """
        self._look_up = look_up
        self._hosts: set[str] = set()
        self._networks: list[IPv4Network | IPv6Network] = []
        for one in named.lower().split():
            self._take(one)

    def _take(self, one: str) -> None:
        try:
            self._networks.append(ip_network(one))
        except ValueError:
            if not all(part.replace("-", "").isalnum() for part in one.split(".")):
                raise ServiceError(
                    f"{_SETTING}: '{one}' is neither the name of a host nor an address or network."
                ) from None
            self._hosts.add(one)

    def check(self, url: str) -> None:
        """AddressRefused if a request may not be sent to ``url``, as far as the address tells."""
        parts = urlsplit(url)
        host = (parts.hostname or "").lower()
        if parts.scheme != "https" and not (parts.scheme == "http" and self._is_named(host)):
            raise AddressRefused(
                f"{host or 'This address'} must be reached by https; where that can't be, name it in "
                f"{_SETTING}."
            )
        self._check_port(host, parts.port or 443)
        if _is_address(host):
            self._judge(host, [host])

    def refusal(self, url: str) -> str:
        """Why a request may not be sent to ``url``, as far as the address tells; empty if it may."""
        try:
            self.check(url)
        except (AddressRefused, ValueError) as error:
            return str(error)
        return ""

    def _is_named(self, host: str) -> bool:
        """Whether the site named a host, or the network of a host that is an address itself."""
        try:
            return self._in_networks(ip_address(host))
        except ValueError:
            return host in self._hosts

    def _in_networks(self, address: IPv4Address | IPv6Address) -> bool:
        return any(address in network for network in self._networks)

    async def addresses(self, host: str, port: int) -> Sequence[str]:
        """Answer the addresses that a connection to ``host`` may go to.

        AddressRefused if any of them may not be used; OSError if the host has none.
        """
        self._check_port(host, port)
        found = await self._look_up(host, port)
        self._judge(host, found)
        return found

    def _check_port(self, host: str, port: int) -> None:
        if port < 1024 and port not in _PORTS and not self._is_named(host.lower()):
            raise AddressRefused(
                f"{host} may not be reached at port {port}; name it in {_SETTING} if it may."
            )

    def _judge(self, host: str, found: Sequence[str]) -> None:
        for address in found:
            if not self._may(address.partition("%")[0], named=host.lower() in self._hosts):
                raise AddressRefused(
                    f"{host} leads into a network of its own (this machine, a private or reserved network); "
                    f"name it in {_SETTING} if it may be reached."
                )

    def _may(self, text: str, *, named: bool) -> bool:
        """A host that was named may have an address of the site's; what is no host's takes a network."""
        address = ip_address(text)
        if self._in_networks(address):
            return True
        if isinstance(address, IPv6Address) and (inside := _inside(address)):
            return self._may(inside, named=named)
        if address.is_link_local or address.is_multicast or address.is_unspecified or address == _WIRE_SERVER:
            return False
        return named or address.is_global


def _is_address(host: str) -> bool:
    try:
        ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return True


def _inside(address: IPv6Address) -> str:
    """The IPv4 address that an IPv6 address leads to, empty if to none."""
    if any(address in network for network in _TRANSLATED):
        return str(ip_address(int(address) & 0xFFFFFFFF))
    inner = address.ipv4_mapped or address.sixtofour or (address.teredo[1] if address.teredo else None)
    return str(inner) if inner else ""
