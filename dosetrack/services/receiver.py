"""A DICOM receiver: on disk and synced before success is answered; reading happens elsewhere.

C-ECHO; C-STORE of dose reports and x-ray angiography images (the header is kept, pixel data never
reach the disk); modality performed procedure steps by N-CREATE and N-SET (PS3.4 annexes B and F).
"""

from __future__ import annotations

import contextlib
import logging
import socket
import ssl
from collections.abc import Iterable
from io import BytesIO
from typing import Any, cast

from pynetdicom import AE, ALL_TRANSFER_SYNTAXES, evt

from dosetrack.errors import ReportRefusedError
from dosetrack.exchange.encoding import TransferSyntax, file_head
from dosetrack.services.admission import Peer, is_admitted
from dosetrack.services.heads import head_of
from dosetrack.services.spool import Spool

_LOG = logging.getLogger(__name__)
_VERIFICATION = "1.2.840.10008.1.1"
_STEP = "1.2.840.10008.3.1.2.3.3"
_SYNTAXES = [
    syntax.uid
    for syntax in (
        TransferSyntax.EXPLICIT_LITTLE,
        TransferSyntax.IMPLICIT_LITTLE,
        TransferSyntax.DEFLATED,
        TransferSyntax.EXPLICIT_BIG,
    )
]
_REPORTS = tuple(
    f"1.2.840.10008.5.1.4.1.1.88.{last}" for last in ("67", "76", "73", "11", "22", "33", "34", "35")
)
"""X-ray, enhanced x-ray and patient radiation dose SR; basic, enhanced, comprehensive, 3-D, extensible SR."""
_IMAGES = tuple(f"1.2.840.10008.5.1.4.1.1.{last}" for last in ("12.1", "12.1.1", "12.2", "12.2.1", "12.3"))
_SUCCESS = 0x0000
_OUT_OF_RESOURCES = 0xA700  # C-STORE, PS3.4 table B.2-1
_CANNOT_UNDERSTAND = 0xC000
_RESOURCE_LIMITATION = 0x0213  # N-CREATE and N-SET, PS3.7 annex C
_REJECTED = (0x01, 0x01, 0x03)  # permanent, by the user of the service, calling AE title not recognised
_MOST_ASSOCIATIONS = 32
_MOST_PDU_BYTES = 1 << 17  # larger pieces are fewer to take apart; what DCMTK sends at most
_IMPLEMENTATION_UID = "2.25.239618420718937436302480142961574839201"
_IMPLEMENTATION_VERSION = "DOSETRACK"  # no number: an object sent again after an update is the same file
_QUICKACK: int | None = getattr(socket, "TCP_QUICKACK", None)  # of Linux

__all__ = ["Peer", "Receiver", "tls_context"]


class Receiver:
    """Listens, stores and answers; `stop` ends it.

    Parameters
    ----------
    allowed : who may send; empty: any AE title from this computer, none from elsewhere
    tls : None for plain TCP
    """

    def __init__(
        self,
        spool: Spool,
        *,
        ae_title: str,
        allowed: Iterable[Peer] = (),
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._spool = spool
        self._allowed = tuple(allowed)
        self._tls = tls
        self._ae = AE(ae_title=ae_title)
        self._ae.maximum_associations = _MOST_ASSOCIATIONS
        self._ae.maximum_pdu_size = _MOST_PDU_BYTES
        self._ae.add_supported_context(_VERIFICATION)
        self._ae.add_supported_context(_STEP, _SYNTAXES)
        for sop_class in _REPORTS:
            self._ae.add_supported_context(sop_class, _SYNTAXES)
        for sop_class in _IMAGES:
            self._ae.add_supported_context(sop_class, ALL_TRANSFER_SYNTAXES)
        self._server: Any = None

    def start(self, host: str, port: int) -> int:
        """Listen in threads of this process; the port in use (`port` 0: any that is free)."""
        self._server = self._ae.start_server(
            (host, port),
            block=False,
            ssl_context=self._tls,
            evt_handlers=[
                (evt.EVT_CONN_OPEN, _acknowledge_at_once),
                (evt.EVT_DATA_RECV, _acknowledge_at_once),
                (evt.EVT_REQUESTED, self._admit),
                (evt.EVT_C_ECHO, lambda event: _SUCCESS),
                (evt.EVT_C_STORE, self._store),
                (evt.EVT_N_CREATE, self._create_step),
                (evt.EVT_N_SET, self._set_step),
            ],
        )
        return int(self._server.server_address[1])

    def stop(self) -> None:
        """Take no more, let go of those connected."""
        if self._server is not None:
            self._server.shutdown()

    # what comes in -------------------------------------------------------------------------

    def _admit(self, event: Any) -> None:
        peer = event.assoc.requestor
        title = peer.primitive.calling_ae_title.strip()
        if not is_admitted(title, peer.address, allowed=self._allowed):
            _LOG.warning("association refused: %s from %s", title, peer.address)
            event.assoc.acse.send_reject(*_REJECTED)
            event.assoc.kill()  # waits until the refusal is on its way; else the peer only sees a closed line

    def _store(self, event: Any) -> int:
        request = event.request
        return self._kept(
            event,
            request.DataSet,
            sop_class=request.AffectedSOPClassUID,
            sop_instance=request.AffectedSOPInstanceUID,
            refused=_OUT_OF_RESOURCES,
        )

    def _create_step(self, event: Any) -> tuple[int, None]:
        request = event.request
        status = self._kept(
            event,
            request.AttributeList,
            sop_class=request.AffectedSOPClassUID,
            sop_instance=request.AffectedSOPInstanceUID,
            refused=_RESOURCE_LIMITATION,
        )
        return status, None  # PS3.7 table 10.1-5: attributes in the answer are optional

    def _set_step(self, event: Any) -> tuple[int, None]:
        # Of a step whose N-CREATE never came too: what it tells must not be lost.
        request = event.request
        status = self._kept(
            event,
            request.ModificationList,
            sop_class=request.RequestedSOPClassUID,
            sop_instance=request.RequestedSOPInstanceUID,
            refused=_RESOURCE_LIMITATION,
        )
        return status, None

    def _kept(
        self, event: Any, data_set: BytesIO | None, *, sop_class: str, sop_instance: str | None, refused: int
    ) -> int:
        """Success once what came is on disk and synced; `refused` where the disk refuses it.

        Nothing of time or sender goes in, so that the same object sent again is the same file.
        """
        head = file_head(
            syntax_uid=str(event.context.transfer_syntax),
            sop_class_uid=str(sop_class),
            sop_instance_uid=str(sop_instance or ""),
            implementation_class_uid=_IMPLEMENTATION_UID,
            implementation_version=_IMPLEMENTATION_VERSION,
        )
        try:
            kept = head_of(cast(Any, _Joined(head, data_set or BytesIO())), file="received object")
            self._spool.accept(kept)
        except ReportRefusedError as error:
            _LOG.warning("object not stored: %s", error.reason)
            return _CANNOT_UNDERSTAND
        except (OSError, MemoryError):  # the sender keeps it and tries again
            _LOG.exception("received object could not be written")
            return refused
        return _SUCCESS


def _acknowledge_at_once(event: Any) -> None:
    """Else a peer that gathers small pieces (RFC 896) waits 40 ms for each object. The system forgets it."""
    if _QUICKACK is not None:
        with contextlib.suppress(OSError, AttributeError):  # the line is closed already
            event.assoc.dul.socket.socket.setsockopt(socket.IPPROTO_TCP, _QUICKACK, 1)


class _Joined:
    """Bytes and what a stream gives after them, without a copy of the whole: images may be large."""

    def __init__(self, first: bytes, rest: BytesIO) -> None:
        self._first = first
        self._rest = rest
        rest.seek(0)

    def read(self, size: int) -> bytes:
        """At most `size` bytes, fewer only at the end."""
        first, self._first = self._first[:size], self._first[size:]
        return first + self._rest.read(size - len(first))


class _LateHandshake(ssl.SSLContext):
    """Shakes hands in the association's own thread: a peer that says nothing must not hold up the others."""

    def wrap_socket(self, sock: Any, *args: Any, **how: Any) -> ssl.SSLSocket:
        """As of `ssl.SSLContext`; hands are shaken at the first reading."""
        return super().wrap_socket(sock, *args, **(how | {"do_handshake_on_connect": False}))


def tls_context(*, certificate: str, key: str, authorities: str | None) -> ssl.SSLContext:
    """A server context of TLS 1.2 or newer (BCP 195); with `authorities`, senders must show a certificate.

    OSError or ssl.SSLError where a file cannot be used.
    """
    context = _LateHandshake(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate, key)
    if authorities:
        context.load_verify_locations(authorities)
        context.verify_mode = ssl.CERT_REQUIRED
    return context
