"""A USB camera outside the machine, in a port of the emulator's: the guest's own drivers serve it.

It speaks the emulator's protocol for devices elsewhere, usbredir 0.7: numbers and structures as in its
usbredirproto.h, little-endian. It is a camera of the USB Video Class 1.1 whose pictures come over a bulk
endpoint: descriptors, requests and payload header as in "USB Device Class Definition for Video Devices" 1.1,
tables 3-1 to 3-12 and 4-75, section 2.4.3.3, and its payload documents for MJPEG, uncompressed, frame-based.
"""

from __future__ import annotations

import select
import socket
import struct
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

__all__ = ["H264", "MJPEG", "YUYV", "Kind", "UsbCamera"]

# usbredirproto.h: packets, states, what both sides know of the protocol
_HELLO, _CONNECT, _INTERFACES, _ENDPOINTS = 0, 1, 4, 5
_SET_CONFIGURATION, _GET_CONFIGURATION, _CONFIGURATION = 6, 7, 8
_SET_ALTERNATE, _GET_ALTERNATE, _ALTERNATE = 9, 10, 11
_CANCEL, _CONTROL, _BULK = 21, 100, 101
_GOOD, _CANCELLED, _STALL = 0, 1, 4
_HIGH_SPEED, _BULK_TYPE, _NO_TYPE = 2, 2, 255
_KNOWN = 1 << 1 | 1 << 4 | 1 << 5 | 1 << 6  # device's version, packet sizes, 64-bit ids, 32-bit lengths
_HEAD, _SHORT_HEAD = struct.Struct("<IIQ"), struct.Struct("<III")
_CONTROL_HEAD, _BULK_HEAD = struct.Struct("<4B3H"), struct.Struct("<BBHIH")

_ENDPOINT, _PACKET = 0x81, 512
_PAYLOAD = 16384  # the driver's largest transfer: 32 packets of 512 (UVC_MAX_PACKETS in uvcvideo.h)
_NAME = (0x1209, 0x0001, 0x0100)  # of no maker: pid.codes keeps these numbers for tests
# Its lens's controls: of exposure the mode (1 byte: 1 by hand, 8 by itself, at a given aperture) and the time
# (4 bytes, 0.1 ms), by what a request for each has in wValue and wIndex; tables 4-9 to 4-13.
MODE, TIME = (0x0200, 0x0100), (0x0400, 0x0100)
_EXPOSURE_BITS = (1 << 1 | 1 << 3, 0, 0)
# request → answer: as it was made, least, most, step (of the mode: the modes that there are)
_FIXED = {
    MODE: {0x87: b"\x08", 0x84: b"\x09"},
    TIME: {code: struct.pack("<I", n) for code, n in ((0x87, 156), (0x82, 1), (0x83, 5000), (0x84, 1))},
}
_PROBE = struct.Struct("<H2BI5H3I4B")
_CLOCK_HZ, _INTERVAL_100NS = 48_000_000, 666_666  # as it is told, 15 a second


@dataclass(frozen=True)
class Kind:
    """A format as it is reported: the numbers of its two descriptors, and what names it."""

    format: int
    frame: int
    name: bytes = b""

    def descriptors(self, size_px: tuple[int, int]) -> bytes:
        """Return its format with the one size that there is."""
        most = 2 * size_px[0] * size_px[1]
        based = self.format == 0x10  # on frames: told a little differently
        depth = b"\x10" if self.name else b"\1"  # bits per pixel; of MJPEG: pictures of one size
        form = bytes([0x24, self.format, 1, 1]) + self.name + depth + bytes([1, 0, 0, 0, 0]) + b"\1" * based
        shape = struct.pack("<4B2H2I", 0x24, self.frame, 1, 0, *size_px, 8 * most, 120 * most)
        shape += b"" if based else struct.pack("<I", most)
        shape += struct.pack("<IB", _INTERVAL_100NS, 1) + bytes(4) * based
        shape += struct.pack("<I", _INTERVAL_100NS)
        return _long(form) + _long(shape)


def _long(descriptor: bytes) -> bytes:
    return bytes([len(descriptor) + 1]) + descriptor


_GUID_TAIL = bytes.fromhex("00001000800000aa00389b71")
MJPEG = Kind(0x06, 0x07)
YUYV = Kind(0x04, 0x05, b"YUY2" + _GUID_TAIL)
H264 = Kind(0x10, 0x11, b"H264" + _GUID_TAIL)


class UsbCamera:
    """A camera of one format and size; ``show`` is what it sees from then on.

    port : the socket behind the emulator's port. interval_s : between two pictures, of this machine's time.
    controls : where its exposure stands, ``MODE`` and ``TIME``; heard : what it was told of them, in order.
    """

    def __init__(
        self,
        port: Path,
        *,
        kind: Kind = MJPEG,
        size_px: tuple[int, int] = (1280, 720),
        interval_s: float = 0.2,
    ) -> None:
        self._port, self._kind, self._size_px, self._interval_s = port, kind, size_px, interval_s
        self._picture = b""
        self.controls = {MODE: b"\x08", TIME: struct.pack("<I", 312)}
        self.heard: list[tuple[tuple[int, int], bytes]] = []
        self._cable: _Cable | None = None

    def show(self, picture: bytes) -> None:
        """See this from now on: bytes of the camera's format."""
        self._picture = picture

    def plug(self) -> None:
        """Put its plug in."""
        self._cable = _Cable(self._port, self)
        self._cable.start()

    def pull(self) -> None:
        """Pull its plug; where it is out already nothing happens."""
        cable, self._cable = self._cable, None
        if cable is not None:
            cable.cut()

    def payloads(self, number: int) -> list[bytes]:
        """Return the picture in the pieces in which it is sent; a header says whose each is, and the last."""
        size = _PAYLOAD - 2
        pieces = [self._picture[at : at + size] for at in range(0, len(self._picture), size)]
        flags = [0x80 | number & 1 | (0x02 if piece is pieces[-1] else 0) for piece in pieces]
        return [bytes([2, flag]) + piece for flag, piece in zip(flags, pieces, strict=True)]

    @property
    def interval_s(self) -> float:
        return self._interval_s

    def descriptor(self, kind: int, index: int) -> bytes | None:
        """Return the device's descriptor of that kind, None where there is none."""
        match kind, index:
            case 1, 0:
                return _long(struct.pack("<BH4B3H4B", 1, 0x200, 0xEF, 2, 1, 64, *_NAME, 0, 1, 0, 1))
            case 2, 0:
                return self._configuration()
            case 3, 0:
                return b"\4\3\x09\4"
            case 3, 1:
                name = "Test camera".encode("utf-16-le")
                return bytes([2 + len(name), 3]) + name
        return None

    def probe(self) -> bytes:
        """Return what it offers to send, whatever was asked."""
        most = 2 * self._size_px[0] * self._size_px[1]
        return _PROBE.pack(0, 1, 1, _INTERVAL_100NS, 0, 0, 0, 0, 0, most, _PAYLOAD, _CLOCK_HZ, 0, 0, 0, 0)

    def _configuration(self) -> bytes:
        lens = struct.pack("<3BH2B3H4B", 0x24, 2, 1, 0x201, 0, 0, 0, 0, 0, 3, *_EXPOSURE_BITS)
        parts = _long(lens) + _long(struct.pack("<3BH3B", 0x24, 3, 2, 0x101, 0, 1, 0))
        head = struct.pack("<2B2HI2B", 0x24, 1, 0x110, 13 + len(parts), _CLOCK_HZ, 1, 1)
        form = self._kind.descriptors(self._size_px)
        stream = struct.pack("<3BH8B", 0x24, 1, 1, 14 + len(form), _ENDPOINT, 0, 2, 0, 0, 0, 1, 0)
        body = _long(bytes([11, 0, 2, 14, 3, 0, 0]))  # both interfaces are one camera
        body += _long(bytes([4, 0, 0, 0, 14, 1, 0, 0])) + _long(head) + parts
        body += _long(bytes([4, 1, 0, 1, 14, 2, 0, 0])) + _long(stream) + form
        body += _long(struct.pack("<3BHB", 5, _ENDPOINT, 2, _PACKET, 0))
        return _long(struct.pack("<BH5B", 2, 9 + len(body), 2, 1, 0, 0x80, 250)) + body


class _Cable(threading.Thread):
    """One stay of a camera in the port: answers what the guest asks until it is cut."""

    def __init__(self, port: Path, camera: UsbCamera) -> None:
        super().__init__(daemon=True)
        self._camera, self._rest, self._head = camera, b"", _SHORT_HEAD
        self._waiting: deque[tuple[int, int]] = deque()  # the guest's open reads: number, longest answer
        self._pieces: deque[bytes] = deque()
        self._number, self._due_s, self._alternate = 0, 0.0, 0
        self._wire = socket.socket(socket.AF_UNIX)
        self._wire.connect(str(port))

    def run(self) -> None:
        """Say what it is, then answer."""
        self._send(_HELLO, 0, b"Test camera".ljust(64, b"\0") + struct.pack("<I", _KNOWN))
        with suppress(OSError):
            while self._hear():
                self._stream()

    def cut(self) -> None:
        """End it; the guest sees that nothing is in the port any more."""
        with suppress(OSError):
            self._wire.shutdown(socket.SHUT_RDWR)
        self.join()
        self._wire.close()

    def _hear(self) -> bool:
        wait_s = max(self._due_s - time.monotonic(), 0.0) if self._waiting else None
        if not select.select([self._wire], [], [], wait_s)[0]:
            return True
        said = self._wire.recv(65536)
        self._rest += said
        while (packet := self._packet()) is not None:
            self._answer(*packet)
        return bool(said)

    def _packet(self) -> tuple[int, int, bytes] | None:
        if len(self._rest) < self._head.size:
            return None
        kind, length, number = self._head.unpack_from(self._rest)
        until = self._head.size + length
        if len(self._rest) < until:
            return None
        body, self._rest = self._rest[self._head.size : until], self._rest[until:]
        return kind, number, body

    def _answer(self, kind: int, number: int, body: bytes) -> None:
        if kind == _HELLO:
            self._head = _HEAD  # both sides know the longer one
            self._introduce()
        elif kind in (_SET_CONFIGURATION, _GET_CONFIGURATION):
            self._send(_CONFIGURATION, number, bytes([_GOOD, 1]))
        elif kind == _SET_ALTERNATE:
            self._send(_ALTERNATE, number, bytes([_GOOD, *body]))
        elif kind == _GET_ALTERNATE:
            self._send(_ALTERNATE, number, bytes([_GOOD, *body, 0]))
        elif kind == _CONTROL:
            self._control(number, body)
        elif kind == _BULK:
            _, _, low, _, high = _BULK_HEAD.unpack_from(body)
            self._waiting.append((number, high << 16 | low))
        elif kind == _CANCEL:
            self._waiting = deque(read for read in self._waiting if read[0] != number)
            self._send(_BULK, number, _BULK_HEAD.pack(_ENDPOINT, _CANCELLED, 0, 0, 0))

    def _introduce(self) -> None:
        spare = bytes(30)
        interfaces = struct.pack("<I", 2) + bytes([0, 1]) + spare
        interfaces += bytes([14, 14]) + spare + bytes([1, 2]) + spare + bytes(32)
        self._send(_INTERFACES, 0, interfaces)
        place = 16 + (_ENDPOINT & 15)
        kinds = bytearray([_NO_TYPE]) * 32
        kinds[0] = kinds[16] = 0
        kinds[place] = _BULK_TYPE
        owners, sizes = bytearray(32), [0] * 32
        owners[place], sizes[place] = 1, _PACKET
        sizes[0] = sizes[16] = 64
        self._send(_ENDPOINTS, 0, bytes(kinds) + bytes(32) + bytes(owners) + struct.pack("<32H", *sizes))
        self._send(_CONNECT, 0, struct.pack("<4B3H", _HIGH_SPEED, 0xEF, 2, 1, *_NAME))

    def _control(self, number: int, body: bytes) -> None:
        endpoint, request, way, _, value, index, length = _CONTROL_HEAD.unpack_from(body)
        said = self._reply(request, way, (value, index), body[_CONTROL_HEAD.size :])
        state, said = (_STALL, b"") if said is None else (_GOOD, said[:length])
        count = len(said) if way & 0x80 or state == _STALL else length
        head = _CONTROL_HEAD.pack(endpoint, request, way, state, value, index, count)
        self._send(_CONTROL, number, head + said)

    def _reply(self, request: int, way: int, of: tuple[int, int], data: bytes) -> bytes | None:
        """Return the answer to a request, None where it is refused."""
        match way, request:
            case 0x80, 6:
                return self._camera.descriptor(of[0] >> 8, of[0] & 255)
            case 0x80, 0:
                return b"\0\0"
            case 0xA1, _ if of in _FIXED:
                return (
                    self._camera.controls[of] if request == 0x81 else {0x86: b"\3", **_FIXED[of]}.get(request)
                )
            case 0xA1, _ if of[1] == 1:
                probe = self._camera.probe()
                return {0x85: struct.pack("<H", len(probe)), 0x86: b"\3"}.get(request, probe)
            case 0x21, 1 if of in _FIXED:
                self._camera.controls[of] = data
                self._camera.heard.append((of, data))
                return b""
            case (0x21, 1) | (0x02, 1):  # to send so from now on; an end of sending
                self._pieces.clear()
                return b""
        return None

    def _stream(self) -> None:
        """Answer the guest's reads as far as there is something to send now."""
        while self._waiting:
            if not self._pieces:
                now_s = time.monotonic()
                if now_s < self._due_s:
                    return
                self._due_s, self._number = now_s + self._camera.interval_s, self._number + 1
                self._pieces.extend(self._camera.payloads(self._number))
            number, longest = self._waiting.popleft()
            piece = self._pieces.popleft()[:longest]
            head = _BULK_HEAD.pack(_ENDPOINT, _GOOD, len(piece) & 0xFFFF, 0, len(piece) >> 16)
            self._send(_BULK, number, head + piece)

    def _send(self, kind: int, number: int, body: bytes) -> None:
        self._wire.sendall(self._head.pack(kind, len(body), number) + body)
