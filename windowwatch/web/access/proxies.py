"""Who really asks when a proxy stands between: addresses and schemes that proxies pass on.

Anybody may send these headers, so they are believed only from addresses that the settings
trust, and only as far as the first address that is not one of those.
"""

import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the settings read this, and have no page to load
    from starlette.datastructures import Headers

#: Trusted where the settings say nothing: a proxy on the same machine.
LOOPBACK = ("127.0.0.0/8", "::1/128")
_Network = ipaddress.IPv4Network | ipaddress.IPv6Network
_Address = ipaddress.IPv4Address | ipaddress.IPv6Address
#: host [":" port] of RFC 9110, section 7.2; names as DNS has them, and underscores.
_NAME = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9_.-]*[A-Za-z0-9_.])?", re.ASCII)
_AUTHORITY = re.compile(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[^\[\]:]+)(?::(?P<port>[0-9]{1,5}))?")
#: One pair of `Forwarded` (RFC 7239, section 4).
_PAIR = re.compile(r'\s*([!#$%&\'*+.^_`|~0-9A-Za-z-]+)=("(?:[^"\\]|\\.)*"|[^\s;,"]*)\s*')
_MOST_HOPS = 20


@dataclass(frozen=True)
class Visitor:
    """Who asks: `address`, empty where it is not known, and `scheme` of the way in.

    `forwarded` says whether a trusted proxy stands between.
    """

    address: str
    scheme: str
    forwarded: bool = False


def network(text: str) -> _Network:
    """An address or a network of the settings.

    Raises
    ------
    ValueError
        If it is none, or the whole internet.
    """
    try:
        found = ipaddress.ip_network(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is no address or network, such as 192.0.2.7") from error
    if found.prefixlen == 0:
        raise ValueError(f"{text!r} would trust everybody; name the proxy's own address")
    return found


def visitor(peer: str, scheme: str, headers: "Headers", trusted: Sequence[_Network]) -> Visitor:
    """Who stands behind a connection.

    Where both ways of passing an address on are there and disagree, one of them came from the
    visitor: then neither is believed.

    Parameters
    ----------
    peer, scheme : str
        Address and scheme of the connection itself.
    headers : Headers
    trusted : sequence of networks
    """
    here = _address(peer)
    if here is None or not _in(here, trusted):
        return Visitor(peer, scheme)
    plain = ",".join(headers.getlist("x-forwarded-for"))
    standard = ",".join(headers.getlist("forwarded"))
    hops = _hops(standard)
    found = {
        _client(way, here, trusted)
        for way, given in (
            (plain.split(","), plain),
            ([hop.get("for", "") for hop in hops], standard),
        )
        if given
    }
    schemes = [each.strip().lower() for each in headers.get("x-forwarded-proto", "").split(",")]
    schemes += [hop.get("proto", "").lower() for hop in hops]
    through = bool(found) or any(schemes)
    secure = "https" if "https" in schemes else scheme
    return Visitor(str(found.pop() if len(found) == 1 else here), secure, through)


def _client(hops: list[str], peer: _Address, trusted: Sequence[_Network]) -> _Address:
    """The last address that no trusted proxy has, or as far as addresses can be read."""
    last = peer
    for hop in reversed(hops[-_MOST_HOPS:]):
        address = _address(hop.strip())
        if address is None:
            return last
        last = address
        if not _in(address, trusted):
            break
    return last


def _hops(text: str) -> list[dict[str, str]]:
    """Elements of `Forwarded`; one that cannot be read is empty."""
    hops: list[dict[str, str]] = [{}]
    place = 0
    while place < len(text):
        pair = _PAIR.match(text, place)
        if pair:
            value = pair[2]
            if value.startswith('"'):
                value = re.sub(r"\\(.)", r"\1", value[1:-1])
            hops[-1][pair[1].lower()] = value
            place = pair.end()
        if place < len(text) and text[place] == ",":
            hops.append({})
        elif place < len(text) and text[place] != ";":
            return [{}]
        place += 1
    return hops


def _address(text: str) -> _Address | None:
    """An address, with or without port and brackets; None when it is none."""
    if text.startswith("["):
        text = text[1:].partition("]")[0]
    elif text.count(":") == 1:
        text = text.partition(":")[0]
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return mapped or found


def _in(address: _Address, networks: Sequence[_Network]) -> bool:
    return any(address in each for each in networks)


def counted_as(address: str) -> str:
    """What wrong words are counted by: an address, or the /64 that one visitor has in IPv6."""
    found = _address(address)
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((found, 64), strict=False))
    return address if found is None else str(found)


def is_authority(text: str) -> bool:
    """Whether a `Host` has a form that it can have."""
    found = _AUTHORITY.fullmatch(text)
    if found is None or int(found["port"] or 0) > 65535 or len(text) > 300:
        return False
    host = found["host"]
    if not host.startswith("["):
        return _NAME.fullmatch(host) is not None
    try:
        ipaddress.IPv6Address(host[1:-1])
    except ValueError:
        return False
    return True


def is_origin(text: str) -> bool:
    """Whether an `Origin` has a form that it can have (RFC 6454, section 7)."""
    scheme, mark, authority = text.partition("://")
    known = re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*", scheme, re.ASCII) is not None
    return text == "null" or (bool(mark) and known and is_authority(authority))
