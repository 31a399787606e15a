"""What is asked of a frame, and the frames: read from one file that the Rust side wrote, so that both see the same."""

import numpy as np

ROW_STEP = 4
"""Products of neighbouring differences are taken on every fourth row, to the right and to the row below."""


class Work:
    """Frames, as the bytes of all of them, and places in them."""

    def __init__(self, told, frames):
        self.name, self.width, self.height = told["work"], told["width"], told["height"]
        self.layout = told["layout"]
        self.ten = self.layout.endswith("10LE")
        samples = 2 if self.layout == "I422_10LE" else 1.5
        size = int(self.width * self.height * samples)
        self.frames = frames.view(np.uint16 if self.ten else np.uint8).reshape(-1, size)
        self.grid = told["grid"]
        self.regions = [
            [tuple(slice(a // s, (a + n) // s) for a, n, s in ((y, h, sy), (x, w, sx))) for sx, sy in self.steps()]
            for x, y, w, h in told["regions"]
        ]
        unit = 4 if self.ten else 1
        self.floor, self.ceiling = unit, 255 * unit - 1
        self.black, self.white = 16 * unit, 235 * unit
        self.codes = 256 * unit

    def steps(self):
        """Pixels from a sample to the next, along x and y, of Y, Cb and Cr."""
        chroma = (2, 1) if self.layout == "I422_10LE" else (2, 2)
        return (1, 1), chroma, chroma

    def planes(self, index):
        """Y, Cb, Cr of a frame as views, no copies."""
        frame, w, h = self.frames[index % len(self.frames)], self.width, self.height
        luma, rest = frame[: w * h].reshape(h, w), frame[w * h :]
        if self.layout == "NV12":
            pairs = rest.reshape(h // 2, w // 2, 2)
            return luma, pairs[..., 0], pairs[..., 1]
        cb, cr = rest.reshape(2, -1, w // 2)
        return luma, cb, cr
