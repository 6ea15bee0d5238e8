"""A DICOM receiver: on disk and synced before success is answered; reading happens elsewhere.

C-ECHO; C-STORE of dose reports and x-ray angiography images (the header is kept, pixel data never
reach the disk); modality performed procedure steps by N-CREATE and N-SET (PS3.4 annexes B and F).
"""

from __future__ import annotations

import ipaddress
import logging
import ssl
from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from pydicom.dataset import FileMetaDataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_file_meta_info
from pynetdicom import AE, ALL_TRANSFER_SYNTAXES, evt

from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.services.heads import head_of
from dosetrack.services.spool import Spool

_LOG = logging.getLogger(__name__)
_VERIFICATION = "1.2.840.10008.1.1"
_STEP = "1.2.840.10008.3.1.2.3.3"
_SYNTAXES = ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2", "1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.2"]
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
_IMPLEMENTATION_UID = "2.25.239618420718937436302480142961574839201"


@dataclass(frozen=True, slots=True)
class Peer:
    """Who may send: an AE title, from one address or network or from any (None)."""

    ae_title: str
    network: ipaddress.IPv4Network | ipaddress.IPv6Network | None = None

    @classmethod
    def from_text(cls, text: str) -> Peer:
        """'ANGIO1', 'ANGIO1@10.1.2.3' or 'ANGIO1@10.1.2.0/24'; InputError says what is accepted."""
        title, _, address = text.partition("@")
        accepted = "an AE title of 1 to 16 characters, or TITLE@ADDRESS, or TITLE@NETWORK such as 10.1.2.0/24"
        if not 0 < len(title.strip()) <= 16:
            raise InputError(field="--allow", given=text, accepted=accepted)
        try:
            network = ipaddress.ip_network(address) if address else None
        except ValueError:
            raise InputError(field="--allow", given=text, accepted=accepted) from None
        return cls(title.strip(), network)


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

    def admits(self, ae_title: str, address: str) -> bool:
        """Whether this AE title may send from this address."""
        source = ipaddress.ip_address(address.partition("%")[0])
        if isinstance(source, ipaddress.IPv6Address) and source.ipv4_mapped:
            source = source.ipv4_mapped
        if not self._allowed:
            return source.is_loopback
        return any(
            peer.ae_title == ae_title and (peer.network is None or source in peer.network)
            for peer in self._allowed
        )

    # what comes in -------------------------------------------------------------------------

    def _admit(self, event: Any) -> None:
        peer = event.assoc.requestor
        if not self.admits(peer.primitive.calling_ae_title.strip(), peer.address):
            _LOG.warning("association refused: %s from %s", peer.primitive.calling_ae_title, peer.address)
            event.assoc.acse.send_reject(*_REJECTED)

    def _store(self, event: Any) -> int:
        request = event.request
        whole = _file_of(
            request.DataSet,
            sop_class=request.AffectedSOPClassUID,
            sop_instance=request.AffectedSOPInstanceUID,
            syntax=event.context.transfer_syntax,
        )
        try:
            kept = head_of(BytesIO(whole), file="received object")
        except ReportRefusedError as refused:
            _LOG.warning("object not stored: %s", refused.reason)
            return _CANNOT_UNDERSTAND
        return _SUCCESS if self._accepted(kept) else _OUT_OF_RESOURCES

    def _create_step(self, event: Any) -> tuple[int, Any]:
        request = event.request
        whole = _file_of(
            request.AttributeList,
            sop_class=request.AffectedSOPClassUID,
            sop_instance=request.AffectedSOPInstanceUID,
            syntax=event.context.transfer_syntax,
        )
        return self._answer_step(whole, event.attribute_list)

    def _set_step(self, event: Any) -> tuple[int, Any]:
        request = event.request
        whole = _file_of(
            request.ModificationList,
            sop_class=request.RequestedSOPClassUID,
            sop_instance=request.RequestedSOPInstanceUID,
            syntax=event.context.transfer_syntax,
        )
        return self._answer_step(whole, event.modification_list)

    def _answer_step(self, whole: bytes, attributes: Any) -> tuple[int, Any]:
        return (_SUCCESS, attributes) if self._accepted(whole) else (_RESOURCE_LIMITATION, None)

    def _accepted(self, data: bytes) -> bool:
        try:
            self._spool.accept(data)
        except OSError:  # the sender keeps it and tries again
            _LOG.exception("received object could not be written")
            return False
        return True


def _file_of(data_set: BytesIO, *, sop_class: str, sop_instance: str, syntax: str) -> bytes:
    """The data set as it came, behind a preamble and file meta information (PS3.10 section 7.1).

    Nothing of time or sender goes in, so that the same object sent again is the same file.
    """
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = sop_class
    meta.MediaStorageSOPInstanceUID = sop_instance
    meta.TransferSyntaxUID = syntax
    meta.ImplementationClassUID = _IMPLEMENTATION_UID
    head = DicomBytesIO()
    head.is_little_endian, head.is_implicit_VR = True, False
    head.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(head, meta)
    return bytes(head.getvalue() + data_set.getvalue())


def tls_context(*, certificate: str, key: str, authorities: str | None) -> ssl.SSLContext:
    """A server context of TLS 1.2 or newer (BCP 195); with `authorities`, senders must show a certificate.

    OSError or ssl.SSLError where a file cannot be used.
    """
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=authorities)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate, key)
    if authorities:
        context.verify_mode = ssl.CERT_REQUIRED
    return context
