"""Who may send over the DICOM network: AE titles, each from an address or network."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass

from dosetrack.errors import InputError

_ACCEPTED = "an AE title of 1 to 16 characters, or TITLE@ADDRESS, or TITLE@NETWORK such as 10.1.2.0/24"


@dataclass(frozen=True, slots=True)
class Peer:
    """Who may send: an AE title, from one address or network or from any (None)."""

    ae_title: str
    network: ipaddress.IPv4Network | ipaddress.IPv6Network | None = None

    @classmethod
    def from_text(cls, text: str) -> Peer:
        """'ANGIO1', 'ANGIO1@10.1.2.3' or 'ANGIO1@10.1.2.0/24'; InputError says what is accepted."""
        title, at, address = (part.strip() for part in text.partition("@"))
        if not is_ae_title(title) or (at and not address):
            raise InputError(field="--allow", given=text, accepted=_ACCEPTED)
        try:
            network = ipaddress.ip_network(address) if address else None
        except ValueError:
            raise InputError(field="--allow", given=text, accepted=_ACCEPTED) from None
        return cls(title, network)


def is_ae_title(text: str) -> bool:
    """Whether `text` can be an AE title: PS3.5 section 6.2, VR AE."""
    return 0 < len(text.strip()) <= 16 and text.isascii() and text.isprintable() and "\\" not in text


def is_admitted(ae_title: str, address: str, *, allowed: Iterable[Peer]) -> bool:
    """Whether this AE title may send from this address.

    allowed : who may; empty: any AE title from this computer, none from elsewhere
    """
    source = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(source, ipaddress.IPv6Address) and source.ipv4_mapped:
        source = source.ipv4_mapped
    peers = tuple(allowed)
    if not peers:
        return source.is_loopback
    return any(
        peer.ae_title == ae_title and (peer.network is None or source in peer.network) for peer in peers
    )
