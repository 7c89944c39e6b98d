"""What libcamera's virtual camera lacks and picamera2 asks of every camera. It goes beside picamera2.

It has no raw modes (a sensor has), and its pictures do not lie in DMA memory.
"""

from __future__ import annotations

from typing import Any

SIZE_PX = (1280, 720)


def adapt(library: Any) -> None:
    """Let this ``Picamera2`` class open a virtual camera as it opens a sensor."""
    from picamera2.allocators import LibcameraAllocator

    opened = library.__init__

    def init(self: Any, *arguments: Any, **named: Any) -> None:
        opened(self, *arguments, **named)
        self.allocator = LibcameraAllocator(self.camera)

    library.__init__ = init
    library._get_raw_modes = lambda self: [{"format": "NV12", "size": SIZE_PX}]
