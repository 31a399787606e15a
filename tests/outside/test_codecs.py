"""Real codecs written by ffmpeg, decoded by ffmpeg into numpy, and measured by `lowlight measure`.

Content: a gradient, flat patches and seeded Gaussian noise. Lossless codecs must also give back the very frames.
"""

import numpy as np
import pytest

import compare
import frames
import picture

WIDTH, HEIGHT, FRAMES = 320, 180, 30
REGIONS = "patch=16,16,96,64;slope=150,90,120,70;odd=201,3,37,29"


def content(pix_fmt, full=False):
    """{component: frames} in file order of a pix_fmt."""
    layout = picture.LAYOUTS[pix_fmt]
    top = 2**layout.depth - 1
    rng = np.random.default_rng(20)
    out = {}
    for name in layout.names:
        h, w = picture.plane_size(WIDTH, HEIGHT, layout.sampled[name])
        x = np.linspace(0.15, 0.75, w)[None, :] + np.linspace(0.0, 0.1, h)[:, None]
        base = np.where(name in ("Cb", "Cr"), 0.45 + 0.1 * x, x)
        base[: h // 2, : w // 2] = 0.5 if name in ("Cb", "Cr") else 0.3
        noisy = base + 0.01 * rng.standard_normal((FRAMES, h, w))
        out[name] = np.clip(np.rint(noisy * top), 0 if full else 1, top if full else top - 1)
        out[name] = out[name].astype(np.uint8 if layout.depth == 8 else "<u2")
    return out


def raw(planes, pix_fmt):
    layout = picture.LAYOUTS[pix_fmt]
    if layout.packed:
        return np.stack([planes[n] for n in layout.names], axis=-1).tobytes()
    return b"".join(planes[n][i].tobytes() for i in range(FRAMES) for n in layout.names)


X265 = "crf=12:log-level=error"
CASES = {
    "h264": ("yuv420p", "a.mp4", ("-c:v", "libx264", "-crf", "12"), {}),
    "h265 narrow": ("yuv422p10le", "a.mp4", ("-c:v", "libx265", "-x265-params", X265), {}),
    "h265 full": (
        "yuv422p10le",
        "a.mp4",
        ("-c:v", "libx265", "-color_range", "pc", "-x265-params", X265 + ":range=full"),
        {"full": True},
    ),
    "prores": ("yuv422p10le", "a.mov", ("-c:v", "prores_ks", "-profile:v", "3"), {}),
    "ffv1": ("yuv422p10le", "a.mkv", ("-c:v", "ffv1"), {"lossless": True}),
    "dnxhr": ("yuv422p10le", "a.mxf", ("-c:v", "dnxhd", "-profile:v", "dnxhr_hqx"), {}),
    "v210": ("yuv422p10le", "a.mov", ("-c:v", "v210"), {"lossless": True}),
    "sound": ("yuv422p10le", "a.mov", ("-c:v", "prores_ks", "-profile:v", "3", "-c:a", "pcm_s16le"), {"audio": True}),
    "tiff grey": ("gray16le", "%05d.tif", ("-c:v", "tiff"), {"lossless": True, "full": True}),
    "tiff rgb": ("rgb48le", "%05d.tif", ("-c:v", "tiff"), {"lossless": True, "full": True}),
    "png grey": ("gray16le", "%05d.png", ("-c:v", "png", "-pix_fmt", "gray16be"), {"lossless": True, "full": True}),
    "png rgb": ("rgb48le", "%05d.png", ("-c:v", "png", "-pix_fmt", "rgb48be"), {"lossless": True, "full": True}),
}


@pytest.mark.parametrize("case", CASES)
def test_codec(case, target):
    pix_fmt, file, options, extra = CASES[case]
    folder = target / "codecs" / case.replace(" ", "-")
    folder.mkdir(parents=True, exist_ok=True)
    made = content(pix_fmt, extra.get("full", False))
    clip = frames.encode(
        raw(made, pix_fmt), pix_fmt, WIDTH, HEIGHT, folder / file, *options, audio=extra.get("audio", False)
    )
    planes, width, height, _ = frames.decode(clip, pix_fmt)
    if extra.get("lossless"):
        for name, plane in made.items():
            assert np.array_equal(plane, planes[name]), f"{case}: ffmpeg gave back another {name}"
    records, summary = frames.measure(clip, folder / "out", "--regions", REGIONS)
    assert summary["video"]["range"] == ("full" if extra.get("full") else "narrow")
    report = compare.Report()
    compare.clip(report, records, planes, width, height, pix_fmt, extra.get("full", False), "25/1")
    report.close()
