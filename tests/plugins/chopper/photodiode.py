"""The far end of the chopper: `A?` on a TCP socket is answered `A=<volts>`, by optics of its own.

    photodiode.py HAND_SOCKET LP_MM SEED

It asks the simulated world where the target stands and where the image lies, and knows nothing of benchd. The port is
the first line it prints.
"""

from __future__ import annotations

import json
import math
import socket
import socketserver
import sys

import numpy as np

LIGHT_MM = 546e-6
FULL_V = 2.0
NOISE_V = 0.004


def contrast(defocus_mm: float, f_number: float, lp_mm: float) -> float:
    """|OTF| of a circular pupil without aberrations but defocus, by quadrature over the overlap of two pupils.

    H. H. Hopkins, Proc. R. Soc. A 231 (1955) 91: pupils of radius 1 apart by 2 s, s the frequency over its cut-off,
    whose phases differ by 2 pi / lambda times 4 W20 s x, where W20 = defocus / (8 N^2). From memory.
    """
    s = lp_mm * LIGHT_MM * f_number
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, 201), np.linspace(-1.0, 1.0, 201))
    both = ((x - s) ** 2 + y**2 <= 1.0) & ((x + s) ** 2 + y**2 <= 1.0)
    one = x**2 + y**2 <= 1.0
    w20 = defocus_mm / (8.0 * f_number**2)
    return abs(float(np.cos(2.0 * math.pi / LIGHT_MM * 4.0 * w20 * s * x[both]).sum())) / float(one.sum())


class World:
    """The simulator's own socket."""

    def __init__(self, path: str, lp_mm: float) -> None:
        self._path, self._lp_mm = path, lp_mm

    def now(self) -> dict[str, float]:
        """Depths (um), f-number and lamp of this moment."""
        with socket.socket(socket.AF_UNIX) as road:
            road.connect(self._path)
            road.sendall(json.dumps({"do": "truth", "lp_mm": self._lp_mm}).encode() + b"\n")
            with road.makefile(encoding="utf-8") as lines:
                told: dict[str, float] = json.loads(lines.readline())["truth"]["now"]
        return told


def main() -> None:
    """Serve until killed."""
    path, lp_mm, seed = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
    world, rng = World(path, lp_mm), np.random.default_rng(seed)

    class Answer(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                if line.strip() != b"A?":
                    continue
                now = world.now()
                swing = 0.0
                if "peak_depth_um" in now:  # else there is no lens
                    off_mm = (now["depth_um"] - now["peak_depth_um"]) / 1000.0
                    swing = FULL_V * now["lamp_level"] * contrast(off_mm, now["f_number"], lp_mm)
                volts = swing + NOISE_V * float(rng.standard_normal())
                self.wfile.write(f"A={volts:.6f}\n".encode())

    class Server(socketserver.ThreadingTCPServer):
        allow_reuse_address = daemon_threads = True

    with Server(("127.0.0.1", 0), Answer) as server:
        print(server.server_address[1], flush=True)
        server.serve_forever()


if __name__ == "__main__":
    main()
