"""A window as the reference sees it, in the record's field names, and the comparison with the meter's."""

import numpy as np

import levels
import picture
import reference
import series

EXACT = 4 * np.finfo(float).eps  # one division and one scaling apart
VARIANCE = 1e-9  # relative, as the project promises against plain numpy
SLOPES = 1e-6  # relative: the other side takes its slopes by differences of 1e-4
SOLVED = 1e-9  # what comes from an iteration or a root, absolute on quantities of order one
STANDING = ("fixed", "fixed_row", "fixed_column", "fixed_pixel")


def component(fields, times, joined, scale=None, step=None, half_step=0.0):
    """Expected numbers of one component in the unit of its samples.

    `fields` holds the distinct frames of a progressive picture, or a list of both fields' frames; without a scale the
    component is derived and has no codes.
    """
    fields = fields if isinstance(fields, list) else [fields]
    stacks = [reference.Stack.of(field, joined) for field in fields]
    moved = reference.moving(stacks)
    stood = reference.standing(stacks, moved)
    whole = np.concatenate([np.asarray(f).reshape(len(f), 1, -1) for f in fields], axis=2)
    means = whole.astype(np.float64).mean(axis=(1, 2))
    a = moved.corr_t if moved else None
    # Both fields make one frame mean.
    level = None if moved is None else moved.frame_mean / len(fields)
    spread, slope = reference.flicker(means, times, level, a)
    if level is not None and a is not None:
        level *= series.long_factor(len(means), a)
    var = {k: stood[k] for k in STANDING} | {"flicker": spread, "level": level, "band": band(stacks)}
    out = {"samples": whole.shape[2], "frame_means": means, "var": var, "shading": stood["shading"], "slope": slope}
    out["half_step"] = half_step
    if scale is not None:
        out |= levels.levels(whole, scale, step) | {"half_step": (step or 1) / 2}
    if moved is not None:
        keys = ("temporal", "row", "column", "nu")
        var |= {k: getattr(moved, k) for k in keys} | {k: moved.sums[k] for k in ("c0", "cx", "cy", "ct", "ct2")}
        height, width = fields[0][0].shape
        # The record brings neighbours' products to as many as there are samples, so that windows can be added up.
        var["cx"] = var["cx"] * width / (width - 1) if width > 1 else None
        var["cy"] = var["cy"] * height / (height - 1) if height > 1 else None
        out |= {k: getattr(moved, k) for k in ("corr_x", "corr_y", "corr_t", "pair", "long")}
        out["ci"] = reference.interval(moved.temporal, moved.nu)
    out["mean_image"] = stood.get("mean_image")
    return out


def band(stacks):
    """Moving bands: half the variance of the profile's frame differences beyond that of bins two apart; signed."""
    height = stacks[0].samples.shape[1]
    bins = min(64, height // 8)
    joined = stacks[0].joined
    if bins < 8 or not joined.any():
        return None
    rows = height // bins
    parts = []
    for stack in stacks:
        y = np.asarray(stack.samples, dtype=np.float64)
        profile = y[:, : rows * bins].reshape(len(y), bins, -1).mean(axis=2)
        d = np.diff(profile, axis=0)[joined]
        apart = d[:, 2:] - d[:, :-2]
        parts.append(d.var(axis=1, ddof=1).mean() / 2 - (apart**2).mean() / 4)
    return float(np.mean(parts))


class Report:
    """Collects what differs, so that one run shows all of it."""

    def __init__(self):
        self.wrong = []

    def number(self, where, got, expected, relative=0.0, absolute=0.0):
        if isinstance(expected, float) and np.isnan(expected):
            expected = None
        if got is None or expected is None:
            if got is not expected:
                self.wrong.append(f"{where}: {got}, expected {expected}")
        elif not abs(got - expected) <= relative * abs(expected) + absolute:
            self.wrong.append(f"{where}: {got!r}, expected {expected!r}")

    def same(self, where, got, expected):
        if got != expected:
            self.wrong.append(f"{where}: {got!r}, expected {expected!r}")

    def close(self):
        assert not self.wrong, "\n".join(self.wrong[:40]) + f"\n({len(self.wrong)} differences)"


def hold(report, where, got, want, scale):
    """One native component of the record against the reference."""
    report.same(f"{where}.samples", got["samples"], want["samples"])
    for name in ("mean_codes", "mean"):
        report.number(f"{where}.{name}", got[name], want[name], EXACT, EXACT * 100)
    for name in ("min_codes", "max_codes", "clipped_low", "clipped_high", "above_white", "below_black"):
        report.same(f"{where}.{name}", got[name], want[name])
    for name in ("rail_low", "rail_high"):
        report.same(f"{where}.{name}", got[name], want[name])
    hold_noise(report, where, got, want, scale.span / 100)


def hold_noise(report, where, got, want, unit):
    """Signed variances and what follows; `unit` is the stack's unit in one percent."""
    var, expected = got["var"], want["var"]
    for name in ("temporal", "c0"):
        report.number(f"{where}.var.{name}", var[name], expected.get(name), VARIANCE)
    c0, temporal = expected.get("c0") or 0.0, expected.get("temporal") or 0.0
    for name in ("cx", "cy", "ct", "ct2"):
        report.number(f"{where}.var.{name}", var[name], expected.get(name), 0.0, VARIANCE * c0)
    for name in ("row", "column", "flicker", "band"):
        report.number(f"{where}.var.{name}", var[name], expected.get(name), VARIANCE, VARIANCE * temporal)
    # Both sides iterate it to 1e-12 of a sample's variance.
    report.number(f"{where}.var.level", var["level"], expected.get("level"), VARIANCE, 1e-11 * temporal)
    for name in STANDING:
        size = abs(want["mean_image"] or 0.0)
        report.number(f"{where}.var.{name}", var[name], expected.get(name), 0.0, VARIANCE * size)
    report.number(f"{where}.var.nu", var["nu"], expected.get("nu"), SOLVED)
    for name in ("corr_x", "corr_y", "corr_t"):
        report.number(f"{where}.{name}", got[name], want.get(name), 0.0, SOLVED)
    # Below half a code step a spread is not told, but bounded.
    half = want.get("half_step", 0.0)
    limited = "temporal" in expected and temporal**0.5 < half
    bound = half / unit if limited else None
    report.number(f"{where}.temporal_upper", got["temporal_upper"], bound, EXACT * 4)
    pair = want.get("pair")
    pair = None if limited or pair is None or pair**0.5 < half else pair
    report.number(f"{where}.temporal_pair", got["temporal_pair"], spread(pair, unit), VARIANCE)
    long = None if limited else want.get("long")
    report.number(f"{where}.temporal_long", got["temporal_long"], spread(long, unit), VARIANCE)
    moving = None if limited else expected.get("temporal")
    report.number(f"{where}.temporal", got["temporal"], spread(moving, unit), VARIANCE)
    for name in ("row", "column"):
        report.number(
            f"{where}.{name}", got[name], spread(expected.get(name), unit), VARIANCE, VARIANCE * temporal**0.5 / unit
        )
    report.number(
        f"{where}.shading", got["shading"], want["shading"] / unit if want["shading"] is not None else None, VARIANCE
    )
    report.number(f"{where}.drift", got["drift"], None if want["slope"] is None else want["slope"] / unit, 1e-9, 1e-9)
    report.same(f"{where}.frame_means count", len(got["frame_means"]), len(want["frame_means"]))
    for i, (a, b) in enumerate(zip(got["frame_means"], want["frame_means"], strict=False)):
        # Chroma means cancel to near zero: 1e-11 is rounding of the 16-bit codes they are made of.
        report.number(f"{where}.frame_means[{i}]", a, float(b), EXACT * 4, 1e-11)
    ends = (not limited and want.get("ci")) or [None, None]
    for i, a in enumerate(got["temporal_ci"] or [None, None]):
        report.number(f"{where}.temporal_ci[{i}]", a, None if ends[i] is None else ends[i] / unit, SOLVED)
    hold_long_interval(report, where, got, want, unit, limited)


def hold_long_interval(report, where, got, want, unit, limited):
    """The interval of the endless window: same sums, other degrees of freedom."""
    n = len(want["frame_means"])
    if n > 384:  # beyond it the other side goes on from shorter windows
        return
    ends = [None, None]
    if not limited and want.get("long") is not None and want["var"].get("nu") is not None:
        nu = want["var"]["nu"] / series.long_spent(n, want["corr_t"])
        ends = reference.interval(want["long"], nu) or ends
    for i, a in enumerate(got["temporal_long_ci"] or [None, None]):
        report.number(f"{where}.temporal_long_ci[{i}]", a, None if ends[i] is None else ends[i] / unit, SLOPES)


def spread(variance, unit):
    return None if variance is None or variance < 0 else float(np.sqrt(variance)) / unit


def clip(report, records, planes, width, height, pix_fmt, full, rate, matrix="bt709", interval=10**9):
    """Every window and region of a clip's records against numpy on the same frames."""
    layout = picture.LAYOUTS[pix_fmt]
    count = len(next(iter(planes.values())))
    num, den = (int(v) for v in rate.split("/"))
    times = [i * den * 10**9 // num for i in range(count)]
    again = picture.repeated(planes)
    steps = {name: levels.CodeStep() for name in planes}
    windows = picture.window_indices(times, interval)
    report.same("windows", len(records), len(windows))
    for k, (record, indices) in enumerate(zip(records, windows, strict=False)):
        distinct = [i for i in indices if not again[i]]
        report.same(f"window {k} frames", record["frames"], len(indices))
        report.same(f"window {k} repeated", record["repeated"], len(indices) - len(distinct))
        report.same(f"window {k} range", record["video"]["range"], "full" if full else "narrow")
        report.same(f"window {k} depth", record["video"]["depth"], layout.depth)
        for name, plane in planes.items():
            for i in indices:
                steps[name].add(plane[i])
        seconds = [times[i] / 1e9 for i in distinct]
        for region in record["regions"]:
            rectangle = tuple(region[key] for key in ("x", "y", "width", "height"))
            views = {
                name: picture.view(plane[distinct], rectangle, layout.sampled[name], width, height)
                for name, plane in planes.items()
            }
            where = f"window {k} {region['name']}"
            for name, samples in views.items():
                scale = levels.Scale(layout.depth, full, chroma=name in ("Cb", "Cr"))
                want = component(samples, seconds, None, scale, steps[name].step)
                report.same(f"{where}.{name}.code_step", region["components"][name]["code_step"], steps[name].step)
                hold(report, f"{where}.{name}", region["components"][name], want, scale)
            if "R" in views:
                unit = levels.Scale(layout.depth, full)
                halves = picture.half_steps([steps[c].step for c in "RGB"], matrix)
                colours = (views[c].astype(np.float64) for c in "RGB")
                for name, samples in picture.derived(*colours, matrix).items():
                    want = component(samples, seconds, None, half_step=halves[name])
                    hold_derived(report, f"{where}.{name}", region["components"][name], want, unit)
            hold_ratio(report, where, region)


def hold_derived(report, where, got, want, scale):
    """Derived components were formed per sample here and from covariances there; they have no codes of their own.

    `scale` is that of R, G and B: derived samples are weighted sums of their codes, Y with the black of these and Cb, Cr
    without one.
    """
    luma = where.endswith(".Y")
    mean = float(want["frame_means"].mean()) - (scale.black if luma else 0.0)
    report.number(f"{where}.mean", got["mean"], 100.0 * mean / scale.span, 0.0, 1e-11)
    for name in ("min_codes", "clipped_low", "rail_high", "code_step"):
        report.same(f"{where}.{name}", got.get(name), None)
    report.same(f"{where}.samples", got["samples"], want["samples"])
    hold_noise(report, where, got, want, scale.span / 100)


def hold_ratio(report, where, region):
    parts = region["components"]
    # Of an endless window where all three have it, else of the window as it is.
    for name in ("temporal_long", "temporal"):
        values = [parts[c][name] if c in parts else None for c in ("Y", "Cb", "Cr")]
        if all(v is not None for v in values):
            break
    expected = None
    if all(v is not None for v in values) and values[0] > 0:
        expected = float(np.sqrt((values[1] ** 2 + values[2] ** 2) / 2) / values[0])
    report.number(f"{where}.chroma_ratio", region["chroma_ratio"], expected, 1e-12)
