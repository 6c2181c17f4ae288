"""Sends broken and hostile inputs over every edge of the product and counts what becomes of them.

    python tests/benchmarks/bench_fuzz.py [--quick] [--share 1.0] [--edge NAME ...] [--seed 1]

Each input must be taken, or refused with the edge's own error; anything else is a crash. Inputs that
take more than `SLOW_S` are counted too. What is taken is looked at: values must lie within their
ranges. With atheris installed (`pip install atheris`) a part is guided by coverage of our own code
(`--guided`); the others, or all, are seeds changed at random, by a fixed seed. Each edge has a
process of its own. The edges stand in `fuzz_edges.py`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

sys.path.insert(0, str(Path(__file__).resolve().parent))

from fuzz_edges import EDGES, Edge, Refused, Run, place_of

SLOW_S = 5.0
"""An input that takes more of the processor's time is slow. [s]"""
GUIDED = ("monitor", "dashboard", "sensors")


class Counts:
    """Outcomes of one edge's inputs, with where each kind of crash arose and its first input."""

    def __init__(self) -> None:
        self.sent = self.taken = self.refused = 0
        self.crashes: Counter[str] = Counter()
        self.inputs: dict[str, str] = {}
        self.slowest_s = 0.0
        self.slow = 0

    def one(self, run: Run, data: bytes) -> None:
        self.sent += 1
        began = time.process_time()
        try:
            run(data)
            self.taken += 1
        except Refused:
            self.refused += 1
        except Exception as exc:  # noqa: BLE001 - any other error is what is looked for
            self._crash(f"{type(exc).__name__}: {str(exc)[:100]} {place_of(exc)}", data)
        took_s = time.process_time() - began
        self.slowest_s = max(self.slowest_s, took_s)
        if took_s > SLOW_S:
            self.slow += 1
            self.inputs.setdefault("slow", f"{took_s:.1f} s {data[:600]!r}")

    def _crash(self, what: str, data: bytes) -> None:
        key = what.rpartition(" at ")[2] if " at " in what else what
        self.crashes[key] += 1
        self.inputs.setdefault(key, f"{what} {data[:600]!r}")

    def plain(self) -> dict[str, Any]:
        return vars(self) | {"crashes": dict(self.crashes)}


TOKENS = (
    *(
        b"\0 \xff \xef\xbb\xbf \xff\xfe \r \r\n \n , ; \" ' [ ] { } : . - + e = @ / # % null true".split(
            b" "
        )
    ),
    *(
        b"NaN nan inf -inf 1e23 1e400 -0 0x10 1_0 1979-05-27 24:00 +00:00 Z \\ud800 \\u0000".split()
    ),
    *(
        b"9223372036854775808 -1 4294967296 1e-400 \xed\xa0\x80 \xf0\x9f\x8e\xbb \xe2\x80\xa8".split()
    ),
    *(b"9f bf ff 9b7fffffffffffffff d81c d81d c2 c4 fb7ff8000000000000 f97e00 a2000000".split()),
)
_HEX = 11
"""The last tokens are written in hexadecimal."""
_TOKENS = [*TOKENS[:-_HEX], *(bytes.fromhex(t.decode()) for t in TOKENS[-_HEX:])]


def mutated(seeds: list[bytes], most: int, rng: random.Random) -> Iterator[bytes]:
    """Seeds, then seeds changed in one to eight places, without end."""
    yield from seeds
    while True:
        data = bytearray(rng.choice(seeds))
        for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
            at = rng.randrange(len(data) + 1)
            match rng.randrange(7):
                case 0:
                    data[at : at + 1] = bytes([rng.randrange(256)])
                case 1:
                    data[at:at] = rng.choice(_TOKENS)
                case 2:
                    data[at : at + rng.randrange(1, 12)] = rng.choice(_TOKENS)
                case 3:
                    del data[at : at + rng.randrange(1, 30)]
                case 4:
                    other = rng.choice(seeds)
                    begin = rng.randrange(len(other) + 1)
                    data[at:at] = other[begin : begin + rng.randrange(1, 60)]
                case 5:
                    part = bytes(data[at : at + rng.randrange(1, 40)])
                    data[at:at] = part * rng.choice((1, 2, 50))
                case _ if at < len(data):
                    data[at] ^= 1 << rng.randrange(8)
        yield bytes(data[:most])


def fuzz(edge: Edge, inputs: int, seed: int, guided: float, to: Path) -> None:
    """Send the inputs of one edge in this process and write their counts."""
    counts = Counts()
    try:
        import atheris
    except ImportError:
        atheris = None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if atheris is None or guided <= 0:
            run, seeds = edge.make(folder)
            Counts().one(run, seeds[0])  # brings in what is slow to load
            source = mutated(seeds, edge.length_max, random.Random(seed))
            for _ in range(inputs):
                counts.one(run, next(source))
            to.write_text(json.dumps(counts.plain()), encoding="utf-8")
            return
        with atheris.instrument_imports(include=list(GUIDED)):
            run, seeds = edge.make(folder)
            Counts().one(run, seeds[0])  # brings in what is slow to load
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, data in enumerate(seeds):
            (corpus / f"{number:03}").write_bytes(data)
        words = folder / "words"
        escaped = ("".join(f"\\x{byte:02x}" for byte in token) for token in _TOKENS if token)
        words.write_text("".join(f'"{token}"\n' for token in escaped), encoding="ascii")

        def one(data: bytes) -> None:
            counts.one(run, data)
            if counts.sent >= inputs * guided:  # the others are seeds changed at random
                source = mutated(seeds, edge.length_max, random.Random(seed))
                for _ in range(inputs - counts.sent):
                    counts.one(run, next(source))
                to.write_text(json.dumps(counts.plain()), encoding="utf-8")
                os._exit(0)  # the guided run has no other end than this or its own

        atheris.Setup(
            [
                sys.argv[0],
                f"-runs={10 * inputs}",
                f"-seed={seed}",
                f"-max_len={edge.length_max}",
                f"-dict={words}",
                "-timeout=100000",
                "-rss_limit_mb=3000",
                "-print_final_stats=0",
                "-verbosity=0",
                str(corpus),
            ],
            one,
        )
        atheris.Fuzz()


def started(
    edge: Edge, inputs: int, given: argparse.Namespace, to: Path, said: BinaryIO
) -> int | None:
    """Fuzz an edge in a process that imports all anew, as its guide needs it. Returns the exit code."""
    how = ["--inputs", str(inputs), "--seed", str(given.seed), "--guided", str(given.guided)]
    command = [sys.executable, __file__, "--one", edge.name, *how, "--to", str(to)]
    return subprocess.run(command, stdout=said, stderr=said, check=False, timeout=3600).returncode


def forked(
    edge: Edge, inputs: int, given: argparse.Namespace, to: Path, said: BinaryIO
) -> int | None:
    """Fuzz an edge in a fork of this process, unguided: 24 times the imports take 15 s."""
    import dashboard.app  # noqa: F401 - what most edges need
    import monitor.cli  # noqa: F401 - likewise

    def begin() -> None:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
        fuzz(edge, inputs, given.seed, 0, to)

    child = multiprocessing.get_context("fork").Process(target=begin)
    child.start()
    child.join()
    return child.exitcode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a few hundred inputs over each edge")
    parser.add_argument("--share", type=float, default=1.0, help="part of the inputs of each edge")
    parser.add_argument("--edge", action="append", help="only edges whose name has this")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=float, default=0.5, help="part guided by coverage")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--inputs", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--to", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        edge = next(edge for edge in EDGES if edge.name == given.one)
        fuzz(edge, given.inputs, given.seed, given.guided, given.to)
        return 0
    wanted = [e for e in EDGES if not given.edge or any(w in e.name for w in given.edge)]
    found: dict[str, dict[str, Any]] = {}
    print("| edge | sent | taken | refused | crashes | slowest [s] |\n|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        for edge in wanted:
            inputs = (
                min(300, edge.inputs // 20)
                if given.quick
                else max(1, int(edge.inputs * given.share))
            )
            to, log = Path(name) / "counts.json", Path(name) / "log"
            to.unlink(missing_ok=True)
            with log.open("wb") as said:
                code = (forked if given.quick else started)(edge, inputs, given, to, said)
            if not to.exists():
                print(log.read_text("utf-8", "replace")[-3000:], file=sys.stderr)
                print(f"| {edge.name} | ended with {code} |", flush=True)
                found[edge.name] = {"sent": 0, "taken": 0, "refused": 0, "crashes": {"process": 1}}
                continue
            one = found[edge.name] = json.loads(to.read_text("utf-8"))
            crashed = sum(one["crashes"].values())
            print(
                f"| {edge.name} | {one['sent']:,} | {one['taken']:,} | {one['refused']:,} "
                f"| {crashed:,} | {one['slowest_s']:.2f} |",
                flush=True,
            )
            for text in one["inputs"].values():
                print(f"  {text}", file=sys.stderr, flush=True)
    sums = {key: sum(one[key] for one in found.values()) for key in ("sent", "taken", "refused")}
    crashes = sum(sum(one["crashes"].values()) for one in found.values())
    print(f"| all | {sums['sent']:,} | {sums['taken']:,} | {sums['refused']:,} | {crashes:,} | |")
    adds_up = sums["taken"] + sums["refused"] + crashes == sums["sent"]
    print(f"taken + refused + crashes {'=' if adds_up else 'is not'} sent", file=sys.stderr)
    slow = sum(one.get("slow", 0) for one in found.values())
    print(f"{slow} inputs took more than {SLOW_S:g} s", file=sys.stderr)
    return 0 if adds_up and not crashes and not slow else 1


if __name__ == "__main__":
    sys.exit(main())
