"""The whole way, as a user goes it: simulated clips through codecs, measured, beside the truth.

The truth is worked out from the camera's description, not from its frames; tests/outside/test_camera.py holds the frames
against scipy. Here stands what a session of three cameras and nine steps of ISO must give.
"""

import json

import pytest
from frames import lowlight, run
from scipy import stats

SPOILED = ("larch-unfiltered-04000", "rowan-filtered-32000")  # the demo says so
APART = {"clipped"}  # biased by nature: what is cut off cannot move
RATE = 4_000_000  # bits a second of H.265 at 960 × 540, 24 frames a second


@pytest.fixture(scope="module")
def session(target):
    """The demo session, lossless; rendered once and kept."""
    folder = target / "session"
    run([lowlight(), "simulate", folder, "--steps", "9"], timeout=1200)
    return folder


def beside_truth(session, clips, out):
    command = [lowlight(), "measure", "--layout", session / "chart.json", "--transfer", "acescct", "--truth", "auto"]
    return json.loads(run([*command, "--json", "--out", out, *clips], timeout=1200))


def test_lossless_clips_hold_the_truth_nineteen_times_in_twenty(session):
    """Y of every preset and ISO: shares inside the interval within the 99 % binomial band (scipy) of 95 %."""
    rows = beside_truth(session, sorted((session / "clips").glob("*.mkv")), session / "results")
    inside = [
        row["inside"]
        for row in rows
        if row["component"] == "Y" and row["inside"] is not None
        if not row["source"].startswith(SPOILED) and not APART & set(row["notes"])
    ]
    assert len(inside) >= 400, len(inside)
    low, high = stats.binom.interval(0.99, len(inside), 0.95)
    assert low <= sum(inside) <= high, (sum(inside), len(inside), low, high)
    assert not any("codec" in row["notes"] for row in rows), "lossless clips show no codec"


def through_h265(session, folder, *options):
    """Rows for the unfiltered clips of the session, encoded again with x265 in 10 bits; megabits a second of the worst."""
    folder.mkdir(exist_ok=True)
    clips = []
    for clip in sorted((session / "clips").glob("*-unfiltered-*.mkv")):
        out = folder / clip.name
        if not out.exists():
            quiet = ["ffmpeg", "-v", "error", "-y", "-nostdin", "-i", clip, "-c:v", "libx265"]
            run([*quiet, *options, "-f", "matroska", folder / "part"])
            (folder / "part").rename(out)
        (folder / f"{clip.name}.truth.json").write_bytes((clip.parent / f"{clip.name}.truth.json").read_bytes())
        clips.append(out)
    return beside_truth(session, clips, folder / "results"), max(clip.stat().st_size for clip in clips) * 8e-6


def told(rows):
    """Relative departure from the truth of each patch whose noise in Y the meter states; patches noted `codec`."""
    off = {
        (row["source"], row["region"]): row["measured"] / row["truth"] - 1
        for row in rows
        if row["component"] == "Y" and row["measured"] is not None and not APART & set(row["notes"])
    }
    assert len(off) >= 150, len(off)
    return off, {(row["source"], row["region"]) for row in rows if "codec" in row["notes"]}


def test_h265_without_loss_gives_the_noise_back(session, target):
    """The lossless mode of H.265 (36 to 154 Mbit/s here): every preset, ISO and patch within 5 % of the truth."""
    rows, rate = through_h265(session, target / "session-h265-lossless", "-preset", "ultrafast", "-x265-params", "log-level=none:lossless=1")
    off, noted = told(rows)
    assert 20 < rate < 200, rate  # a clip lasts a second
    wrong = {where: loss for where, loss in off.items() if abs(loss) > 0.05 and not where[0].startswith(SPOILED)}
    assert not wrong and not noted, (wrong, noted)


def test_a_lossy_codec_is_told_where_it_takes_much(session, target):
    """H.265 at RATE: of patches whose noise lost over 20 %, 98 in 100 are noted `codec`.

    The rest is the limit that docs/numbers.md states: what is taken from all blocks alike is not seen.
    """
    options = ["-preset", "fast", "-x265-params", "log-level=none", "-b:v", str(RATE)]
    off, noted = told(through_h265(session, target / "session-h265", *options)[0])
    lost = [where for where, loss in off.items() if abs(loss) > 0.2]
    missed = {where: off[where] for where in lost if where not in noted}
    assert len(lost) >= 100 and len(missed) <= 0.02 * len(lost), (len(lost), missed)
    # Both floors guard what the note can do today (all of 215, and 96 % of 250, with x265 of Debian 12); they follow from no theory.
    fine = sum(abs(loss) <= 0.05 or where in noted for where, loss in off.items())
    assert fine >= 0.9 * len(off), (fine, len(off))
