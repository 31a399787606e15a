"""Times what general libraries need for the meter's statistics; one command a line of JSON on stdin, one answer a line.

{"do": "prepare", "work": NAME, "file": FRAMES, "layout": …, "width": …, "height": …, "regions": …, "grid": …}
{"do": "check", "work": NAME, "frames": N, "records": [JSON, …]}     answers null, or the first fault
{"do": "time", "work": NAME, "peer": NAME, "frames": N}              answers nanoseconds a frame, the first not counted
"""

import json
import os
import sys
import time

# One thread: before the libraries are loaded.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

import cv2
import numpy as np
import skimage
from skimage.restoration import estimate_sigma

import exact
import with_numpy
import with_opencv
from work import Work


class Sigma:
    """One number a luma patch, for reference: no other library has one call for noise."""

    def __init__(self, work):
        self.work = work

    def frame(self, index, _):
        y = self.work.planes(index)[0]
        return [estimate_sigma(y[places[0]]) for places in self.work.regions]


class Session:
    """Works by name, and how far the ring was read."""

    def __init__(self):
        self.works, self.peers, self.files, self.at = {}, {}, {}, 0

    def prepare(self, told):
        path = told["file"]
        if path not in self.files:
            self.files[path] = np.fromfile(path, np.uint8)
        work = Work(told, self.files[path])
        name = told["work"]
        self.works[name] = work
        kind = "Stacks" if name == "W4" else "Cells" if work.grid else "Patches"
        self.peers[name] = {"numpy": getattr(with_numpy, kind)(work), "OpenCV": getattr(with_opencv, kind)(work),
                            "scikit-image": Sigma(work)}

    def check(self, told):
        work, frames = self.works[told["work"]], told["frames"]
        for text in told["records"]:
            fault = exact.check_record(work, json.loads(text), frames)
            if fault:
                return fault
        peers = self.peers[told["work"]]
        check = exact.check_stacks if told["work"] == "W4" else exact.check_peer
        faults = (check(work, peers[name], frames) for name in ("numpy", "OpenCV"))
        return next((fault for fault in faults if fault), None)

    def time(self, told):
        peer, spent = self.peers[told["work"]][told["peer"]], []
        for k in range(told["frames"]):
            self.at += 1
            began = time.thread_time_ns()
            peer.frame(self.at, k > 0)
            spent.append(time.thread_time_ns() - began)
        return sum(spent[1:]) / (len(spent) - 1)


def main():
    session = Session()
    versions = {"python": sys.version.split()[0], "numpy": np.__version__, "OpenCV": cv2.__version__,
                "scikit-image": skimage.__version__}
    print(json.dumps(versions), flush=True)
    for line in sys.stdin:
        told = json.loads(line)
        print(json.dumps(getattr(session, told["do"])(told)), flush=True)


main()
