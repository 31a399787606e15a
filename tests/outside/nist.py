"""NIST StRD univariate sets as integers with their certified values (https://www.itl.nist.gov/div898/strd/).

NumAcc1 to NumAcc4 are typed from their definitions. The other five sets are read at run time out of Debian's source
package `gsl`, fetched by apt through a source list of its own, so that no system file changes and no file of that
package is kept in the tree. `python nist.py` writes target/nist/NAME.csv (one integer a line after a header line).
"""

import os
import pathlib
import re
import subprocess
import tarfile
from dataclasses import dataclass
from decimal import Decimal

ROOT = pathlib.Path(__file__).resolve().parents[2]
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
SUITE = "http://deb.debian.org/debian bookworm main"


@dataclass(frozen=True)
class Certified:
    """Values of NIST's certificates and how to make codes: code = value * 10^digits - offset."""

    mean: float
    sd: float
    lag1: float
    digits: int
    offset: int


SETS = {
    "PiDigits": Certified(4.53480000000000, 2.86733906028871, -0.00355099287237972, 0, 0),
    "Lottery": Certified(518.958715596330, 291.699727470969, -0.120948622967393, 0, 0),
    "Lew": Certified(-177.435000000000, 277.332168044316, -0.307304800605679, 0, -600),
    "Mavro": Certified(2.00185600000000, 0.000429123454003053, 0.937989183438248, 5, 200000),
    "Michelso": Certified(299.852400000000, 0.0790105478190518, 0.535199668621283, 2, 29900),
    "NumAcc1": Certified(10000002, 1, -0.5, 0, 10000000),
    "NumAcc2": Certified(1.2, 0.1, -0.999, 1, 10),
    "NumAcc3": Certified(1000000.2, 0.1, -0.999, 1, 10000000),
    "NumAcc4": Certified(10000000.2, 0.1, -0.999, 1, 100000000),
}
IN_SOURCE = {"PiDigits": "pidigits", "Lottery": "lottery", "Lew": "lew", "Mavro": "mavro", "Michelso": "michelson"}
COUNTS = {"PiDigits": 5000, "Lottery": 218, "Lew": 200, "Mavro": 50, "Michelso": 100}


def typed(name):
    """The accuracy sets from their definitions, as decimal texts."""
    if name == "NumAcc1":
        return ["10000001", "10000003", "10000002"]
    whole = {"NumAcc2": 1, "NumAcc3": 1000000, "NumAcc4": 10000000}[name]
    return [f"{whole}.2"] + [f"{whole}.1", f"{whole}.3"] * 500


def source(folder):
    """Text of the file in Debian's source package that holds the sets."""
    found = sorted(folder.glob("gsl_*.orig.tar.gz"))
    if not found:
        (folder / "lists").mkdir(parents=True, exist_ok=True)
        (folder / "cache" / "archives" / "partial").mkdir(parents=True, exist_ok=True)
        (folder / "sources.list").write_text(f"deb-src [signed-by={KEYRING}] {SUITE}\n")
        places = {
            "Dir::Etc::sourcelist": folder / "sources.list",
            "Dir::Etc::sourceparts": "/dev/null",
            "Dir::State::lists": folder / "lists",
            "Dir::Cache": folder / "cache",
        }
        options = [part for key, value in places.items() for part in ("-o", f"{key}={value}")]
        for command in (["update"], ["source", "--download-only", "gsl"]):
            done = subprocess.run(
                ["apt-get", *options, "-q", *command], cwd=folder, capture_output=True, text=True, check=False
            )
            if done.returncode:
                raise RuntimeError(f"apt-get {' '.join(command)} failed, NIST's sets are not available: {done.stderr}")
        found = sorted(folder.glob("gsl_*.orig.tar.gz"))
    with tarfile.open(found[0]) as archive:
        (member,) = [m for m in archive.getmembers() if m.name.endswith("/statistics/test_nist.c")]
        return archive.extractfile(member).read().decode()


def load(folder):
    """{name: (codes, certified)} of all nine sets."""
    folder.mkdir(parents=True, exist_ok=True)
    text, out = source(folder), {}
    for name, certified in SETS.items():
        if name in IN_SOURCE:
            body = re.search(rf"double {IN_SOURCE[name]}\s*\[\s*{COUNTS[name]}\s*\]\s*=\s*\{{([^}}]*)\}}", text)
            if body is None:
                raise RuntimeError(f"{name} is not where it was in the gsl source package")
            words = body.group(1).replace(",", " ").split()
        else:
            words = typed(name)
        if name in COUNTS and len(words) != COUNTS[name]:
            raise RuntimeError(f"{name} has {len(words)} values, not {COUNTS[name]}")
        codes = [Decimal(w) * 10**certified.digits - certified.offset for w in words]
        if any(c != int(c) or not 0 <= c < 2**16 for c in codes):
            raise RuntimeError(f"{name} does not fit 16-bit codes")
        out[name] = ([int(c) for c in codes], certified)
    return out


def main():
    folder = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "nist"
    for name, (codes, c) in load(folder).items():
        head = f"# mean={c.mean!r} sd={c.sd!r} lag1={c.lag1!r} digits={c.digits} offset={c.offset}\n"
        (folder / f"{name}.csv").write_text(head + "".join(f"{code}\n" for code in codes))


if __name__ == "__main__":
    main()
