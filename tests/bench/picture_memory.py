"""Peak memory of the server while it gets pictures that are small as files but large as pixels.

    .venv/bin/python -m tests.bench.picture_memory

Aim: at most 300 MB for any picture, and for eight at once. Each row is a separate server; the last column is
what Pillow (a decoder that no part of the program uses) needs for the same file in its own process.
"""

from __future__ import annotations

import base64
import json
import struct
import subprocess
import sys
import tempfile
import threading
import urllib.error
import urllib.request
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tests.bench.rig_common import Program

LIMIT_MB = 300
EDGE = b'--edge\r\nContent-Disposition: form-data; name="%s"; filename="a"\r\n\r\n'
PILLOW = """
import sys, io
from PIL import Image
Image.MAX_IMAGE_PIXELS = None
def peak():
    return next(int(x.split()[1]) / 1e3 for x in open("/proc/self/status") if x.startswith("VmHWM"))
data, before = sys.stdin.buffer.read(), peak()
try:
    Image.open(io.BytesIO(data)).convert("RGB")
except Exception:
    pass
print(peak() - before)
"""


def png(width: int, height: int, colour: int = 2, bits: int = 8) -> bytes:
    samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    packer, row = zlib.compressobj(9), bytes(1 + width * samples * bits // 8)
    data = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def jpeg(width: int, height: int, *, progressive: bool = False, full: bool = False) -> bytes:
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444 if full else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    options = [cv2.IMWRITE_JPEG_PROGRESSIVE, int(progressive), cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    return cv2.imencode(".jpg", np.full((height, width, 3), 128, np.uint8), options)[1].tobytes()


def promising(width: int, height: int) -> bytes:
    """Return a JPEG of 16 × 16 pixels whose header claims this size."""
    small = bytearray(jpeg(16, 16))
    at = max(small.find(b"\xff\xc0"), small.find(b"\xff\xc2"))
    small[at + 5 : at + 9] = height.to_bytes(2, "big") + width.to_bytes(2, "big")
    return bytes(small)


PICTURES: dict[str, Callable[[], bytes]] = {
    "JPEG 50 megapixels": lambda: jpeg(8160, 6120),
    "JPEG 50 megapixels, full colour": lambda: jpeg(8160, 6120, full=True),
    "JPEG progressive, 50 megapixels": lambda: jpeg(8160, 6120, progressive=True, full=True),
    "JPEG progressive, 25 megapixels": lambda: jpeg(5760, 4320, progressive=True),
    "JPEG that promises 32000 x 32000": lambda: promising(32_000, 32_000),
    "JPEG that promises 50 megapixels": lambda: promising(7_000, 7_000),
    "PNG 50 megapixels": lambda: png(8160, 6120),
    "PNG 50 megapixels, grey, 16 bits": lambda: png(8160, 6120, 0, 16),
    "PNG 50 megapixels, palette": lambda: png(8160, 6120, 0),
    "PNG 25 megapixels, transparent": lambda: png(5000, 5000, 6),
    "PNG 16 megapixels, transparent, 16 bits": lambda: png(4000, 4000, 6, 16),
    "PNG 17 megapixels, grey, transparent, 16 bits": lambda: png(4200, 4100, 4, 16),
    "PNG 49 megapixels, one row high": lambda: png(49_000_000, 1, 0),
}


def send(program: Program, data: bytes, *, before: bytes | None = None) -> int:
    parts = [EDGE % b"after" + data] + ([EDGE % b"before" + before] if before else [])
    body = b"\r\n".join(parts) + b"\r\n--edge--\r\n"
    headers = {"Content-Type": "multipart/form-data; boundary=edge"}
    return post(f"{program.url}/api/read", body, headers)


def send_as_rig(program: Program, data: bytes) -> int:
    sent = {"rig": "far", "station": "mirror-1", "picture": base64.b64encode(data).decode()}
    kind = {"Content-Type": "application/json"}
    status = post(f"{program.url}/api/rig/sight", json.dumps(sent).encode(), kind)
    try:
        urllib.request.urlopen(f"{program.url}/api/frame.jpg", timeout=60).read()
    except urllib.error.HTTPError as error:
        error.close()
    return status


def post(address: str, body: bytes, headers: dict[str, str]) -> int:
    try:
        with urllib.request.urlopen(urllib.request.Request(address, body, headers), timeout=300) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def peak_mb(program: Program) -> float:
    text = Path(f"/proc/{program.process.pid}/status").read_text()
    return int(text.split("VmHWM:")[1].split()[0]) / 1e3


def served(folder: Path, port: int, deeds: Callable[[Program], list[int]]) -> tuple[float, list[int]]:
    program = Program(folder / "data", "--camera", "rigs", port=port)
    try:
        program.wait_ready()
        statuses = deeds(program)
        return peak_mb(program), statuses
    finally:
        program.kill()


def at_once(program: Program, pictures: list[bytes], *, pairs: bool = True) -> list[int]:
    statuses: list[int] = []

    def run(data: bytes) -> None:
        statuses.append(send(program, data, before=data if pairs else None))

    threads = [threading.Thread(target=run, args=(data,)) for data in pictures]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return statuses


def pillow_mb(data: bytes) -> float:
    return float(subprocess.run([sys.executable, "-c", PILLOW], input=data, capture_output=True).stdout)


def main() -> None:
    made = {name: make() for name, make in PICTURES.items()}
    worst = 0.0
    print(f"{'what':46} {'file kB':>8} {'status':>10} {'peak MB':>8} {'Pillow, decoding alone MB':>26}")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for index, (name, data) in enumerate(made.items()):
            mb, said = served(folder, 8700 + index, lambda program, data=data: [send(program, data)])
            pillow = f"{pillow_mb(data):26.0f}"
            print(f"{name:46} {len(data) / 1e3:8.1f} {said[0]:10d} {mb:8.0f} {pillow}", flush=True)
            worst = max(worst, mb)
        bomb = made["JPEG that promises 32000 x 32000"]
        runs: dict[str, Callable[[Program], list[int]]] = {
            "from a rig: promises 32000 x 32000": lambda program: [send_as_rig(program, bomb)],
            "eight at once: PNG 50 megapixels": lambda program: at_once(
                program, [made["PNG 50 megapixels"]] * 8, pairs=False
            ),
            "eight at once, with before: JPEG 50 megapixels": lambda program: at_once(
                program, [made["JPEG 50 megapixels, full colour"]] * 8
            ),
            "eight at once, with before: PNG 50 megapixels": lambda program: at_once(
                program, [made["PNG 50 megapixels"]] * 8
            ),
            "eight at once, one of each kind": lambda program: at_once(program, list(made.values())[-8:]),
        }
        for index, (name, run) in enumerate(runs.items()):
            mb, said = served(folder, 8750 + index, run)
            print(f"{name:46} {'':8} {'/'.join(map(str, sorted(set(said)))):>10} {mb:8.0f}", flush=True)
            worst = max(worst, mb)
    print(f"worst {worst:.0f} MB of {LIMIT_MB} MB: {worst / LIMIT_MB:.2f}")


if __name__ == "__main__":
    main()
