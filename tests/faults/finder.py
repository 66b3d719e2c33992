"""Odd media, folders, sheets and options, each from a seed, and what must always hold."""

import contextlib
import hashlib
import os
import random
import re
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from barpath.analysis import store
from barpath.block import run as running
from barpath.block.jobs import BlockConfig
from barpath.block.plan import plan_folder
from barpath.cli import commands as cli
from barpath.ground import files
from barpath.lift import rules
from barpath.report import pairfolder
from tests.fake_detector import PROGRAMME, write_clip
from tests.in_process import here
from tests.made_detections import made_result

DOCUMENTED = {0, 2, 3, 4, 5, 6, 7}
HANG_GUARD_S = 300
SIZE_PX = (96, 64)
TEMPORARY = re.compile(r"\.(new|old|part|stage)-|^\.stage-|\.part$")
ODD_TEXT = [
    "",
    " ",
    "-",
    "=1+1",
    "nan",
    "inf",
    "-1",
    "1e999",
    "0",
    "x" * 300,
    "ä\u202e",
    "1,2",
    "[]",
]


@dataclass(frozen=True)
class Case:
    """A command to be run in a folder, and the only name there that it may write to."""

    arguments: list[str]
    out: str = ""


Maker = Callable[[random.Random, Path, "Stock"], Case]


# --- what cases are made of -----------------------------------------------------------------------


@dataclass(frozen=True)
class Stock:
    """Sound things, made once, that the cases spoil."""

    clips: tuple[Path, ...]
    results: Path
    old_results: Path
    pair: Path
    block: Path


def picture(k: int, size_px: tuple[int, int] = SIZE_PX) -> np.ndarray:
    width, height = size_px
    image = np.full((height, width, 3), 90, np.uint8)
    y = int((0.3 + 0.2 * np.sin(k / 4)) * height)
    image[y : y + height // 4, width // 3 : width // 2] = 200
    image[:, :4] = 255 * (k % 2)
    return image


def write_media(
    path: Path,
    codec: str = "libx264",
    n: int = 30,
    sizes_px: tuple[tuple[int, int], ...] = (SIZE_PX,),
    stamps: Callable[[int], int | None] = lambda k: k,
) -> Path:
    """A small clip; more than one size makes the picture change within the stream."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height = sizes_px[0]
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        share = -(-n // len(sizes_px))
        k = 0
        for size_px in sizes_px:
            coder = av.CodecContext.create(codec, "w")
            coder.width, coder.height = size_px
            coder.pix_fmt, coder.time_base = stream.pix_fmt, Fraction(1, 30)
            if codec == "libx264":
                coder.options = {"g": "12", "bf": "0", "x264-params": "repeat-headers=1"}
            packets = []
            for _ in range(share):
                frame = av.VideoFrame.from_ndarray(picture(k, size_px), "rgb24")
                frame.pts, frame.time_base = k, Fraction(1, 30)
                packets += coder.encode(frame)
                k += 1
            packets += coder.encode(None)
            for packet in packets:
                packet.stream = stream
                at = stamps(packet.pts)
                packet.pts = packet.dts = at
                packet.time_base = Fraction(1, 30)
                with contextlib.suppress(av.FFmpegError):
                    container.mux(packet)
    return path


def make_stock(folder: Path) -> Stock:
    clips = (
        write_media(folder / "a.mp4"),
        write_media(folder / "b.mkv"),
        write_media(folder / "c.avi", "mjpeg"),
        write_media(folder / "d.ts"),
    )
    # Measured from the places of a truth file; rules are checked on it as on any other.
    result = made_result("ql_light_side")
    results = store.write_results(result, folder / "results", artefacts={"report.html": "<p>"})
    old = folder / "old"
    shutil.copytree(results, old)
    (old / files.MANIFEST_FILE).unlink()
    summary = old / store.SUMMARY_FILE
    summary.write_text(summary.read_text("utf-8").replace('"manifest.json",\n    ', ""), "utf-8")
    assert store.read_results(old).view == "side"
    joined = folder / "pair"
    joined.mkdir()
    for name in pairfolder.TABLES.values():
        (joined / name).write_text("a\n" + "1\n" * 9)
    table = rules.check(rules.facts_of(result))
    table.to_csv(joined / "rules.csv", index=False, lineterminator="\n")
    (joined / "report.html").write_text("<p>")
    listed = [*pairfolder.FILES, files.MANIFEST_FILE]
    content = files.json_bytes({"schema": pairfolder.SCHEMA_NAME, "files": listed})
    (joined / "summary.json").write_bytes(content)
    files.write_manifest(joined, pairfolder.FILES)
    clips_folder = folder / "fake"
    clips_folder.mkdir()
    lines = ["clip,lifter,date,technique,load_kg"]
    for k in range(4):
        write_clip(clips_folder / f"s{k}.mp4", folder / "log.txt")
        lines.append(f"s{k}.mp4,Ada,2026-10-0{k // 2 + 1},{('wide', 'close')[k % 2]},80")
    (clips_folder / "block.csv").write_text("\n".join(lines) + "\n")

    config = BlockConfig(programme=PROGRAMME, stills=False)
    with here():
        running.run(plan_folder(clips_folder), folder / "block", config)
    return Stock(clips, results, old, joined, folder / "block")


# --- the cases ------------------------------------------------------------------------------------


def spoil(rng: random.Random, data: bytes, other: bytes = b"") -> bytes:
    """Bytes cut, flipped, filled, doubled, spliced or replaced."""
    if not data:
        return b"\x00"
    a, b = sorted((rng.randrange(len(data)), rng.randrange(len(data))))
    match rng.randrange(8):
        case 0:
            return data[:a]
        case 1:
            return data[a:]
        case 2:
            spoiled = bytearray(data)
            for _ in range(rng.choice((1, 1, 5, 100))):
                spoiled[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            return bytes(spoiled)
        case 3:
            return data[:a] + bytes(b - a) + data[b:]
        case 4:
            return data[:a] + data[b:]
        case 5:
            return data + data
        case 6:
            return data[:a] + (other or data[::-1])[a:]
        case _:
            return rng.choice((b"", b"\n", b"[]", b"{}", rng.randbytes(200), b"PAR1", b"\xff\xfe"))


def odd_name(rng: random.Random) -> str:
    return rng.choice(
        (
            *("=clip.mp4", "-clip.mp4", "a b.mp4", "é\u0301.mp4", "clip", "clip.txt", "clip.csv"),
            *("set\udcff\udc80.mp4", "a\nb.mp4", "c" * 240 + ".mp4", "%s{0}.mp4", "\\xff.mp4"),
        )
    )


def odd_clip(rng: random.Random, folder: Path, stock: Stock) -> str:
    """A clip that something is wrong with; its name in the folder."""
    source = rng.choice(stock.clips)
    target = folder / f"clip{source.suffix}"
    match rng.randrange(9):
        case 0:
            return rng.choice(["gone.mp4", ".", "..", "/dev/null", "", "gone/clip.mp4"])
        case 1:
            target = folder / odd_name(rng)
            target.write_bytes(spoil(rng, source.read_bytes()))
        case 2:
            sizes = ((64, 48), (96, 64), (2, 2), (160, 120), (48, 48))
            write_media(folder / "clip.mkv", n=24, sizes_px=tuple(rng.sample(sizes, 2)))
            return "clip.mkv"
        case 3:
            turn = rng.randrange(4)
            stamps = (lambda k: 40 - k, lambda k: k // 3, lambda k: None, lambda k: k * k * 999)
            write_media(target, "mjpeg" if target.suffix == ".avi" else "libx264", 20,
                        stamps=stamps[turn])  # fmt: skip
        case 4:
            side = rng.choice((2, 4, 16, 32))
            write_media(folder / "clip.mkv", n=4, sizes_px=((side, side),))
            return "clip.mkv"
        case 5:
            target.write_bytes(source.read_bytes())
            target = target.rename(folder / odd_name(rng))
        case _:
            other = rng.choice(stock.clips).read_bytes()
            target.write_bytes(spoil(rng, source.read_bytes(), other))
    return target.name


def media(rng: random.Random, folder: Path, stock: Stock) -> Case:
    name = odd_clip(rng, folder, stock)
    # A name that begins with a hyphen is an option to any command line.
    given = f"./{name}" if name.startswith("-") else name
    if rng.random() < 0.25:
        return Case(["film-check", given])
    view = rng.choice(("auto", "side", "front", "oblique"))
    return Case(["analyse", given, "--out", "out", "--view", view, "--no-joints"], "out")


def damaged_folder(rng: random.Random, folder: Path, stock: Stock) -> Case:
    kind = rng.choice(("results", "old_results", "pair", "block"))
    target = folder / "kept"
    shutil.copytree(getattr(stock, kind), target)
    inside = sorted(p for p in target.iterdir() if p.is_file() and p.name != ".lock")
    for _ in range(rng.choice((1, 1, 2))):
        path = rng.choice(inside)
        match rng.randrange(4):
            case 0:
                path.unlink(missing_ok=True)
            case 1 if path.is_file():
                path.unlink()
                path.mkdir()
            case _ if path.is_file():
                path.write_bytes(spoil(rng, path.read_bytes(), inside[0].name.encode()))
    if kind == "block":
        command = rng.choice(("compare", "block-report"))
        return Case([command, "kept", "--out", "pages"], "pages")
    if kind != "pair" and rng.random() < 0.3:
        # A port that there is not ends it before it waits for anybody.
        return Case(["touchup", "kept", "--clip", str(stock.clips[0]), "--port", "70000"])
    if rng.random() < 0.3:
        return Case(["beside", "kept", str(stock.results), "--out", "pages"], "pages")
    return Case(["rules", "kept"])


def sheet(rng: random.Random, folder: Path, stock: Stock) -> Case:
    name = rng.choice(("block.csv", "block.toml"))
    columns = ["clip", "lifter", "date", "view", "load_kg", "plate_mm", "stature_cm", "=odd", ""]
    heading = ["clip", *rng.sample(columns, 4)]
    rows = [[rng.choice([*ODD_TEXT, "gone.mp4", "a/b.mp4"]) for _ in heading] for _ in range(5)]
    if name.endswith("csv"):
        mark = rng.choice((",", ";", "\t"))
        text = rng.choice(("", "\n\n", ",,\n", "\ufeff"))
        text += "\n".join(mark.join(row) for row in [heading, *rows])
    else:
        text = "[defaults]\n" + rng.choice(("", 'lifter = "Ada"\n', "x = [1, {}]\n"))
        for row in rows:
            value = rng.choice(('"gone.mp4"', '["a.mp4"]', "5", "{a = 1}", "2026-01-01", "nan"))
            text += f"[[clip]]\nclip = {value}\nload_kg = {row[1] or '0'}\n"
        text = rng.choice(
            (text, text.replace("[[clip]]", "[clip]"), 'clip = ["a.mp4"]', "x=" + "[" * 5000)
        )
    data = text.encode("utf-8", "surrogatepass")
    (folder / name).write_bytes(spoil(rng, data) if rng.random() < 0.4 else data)
    return Case(["block", ".", "--out", "out"], "out")


def options(rng: random.Random, folder: Path, stock: Stock) -> Case:
    shutil.copy(stock.clips[0], folder / "clip.mp4")
    (folder / "file").write_text("mine")
    (folder / "full").mkdir()
    (folder / "full" / "diary.txt").write_text("mine")
    numbers = ("--plate-mm", "--load-kg", "--upper-arm-cm", "--stature-cm", "--capture-fps")
    texts = ("--view", "--plate-at", "--corrections", "--pose-model", "--note")
    odd = rng.choice(ODD_TEXT)
    outs = ("file", "full", "file/below", "x" * 300, "/proc/none/out", "a/" * 200 + "x" * 300)
    match rng.randrange(9):
        case 0:
            return Case(["analyse", "clip.mp4", "--out", "out", rng.choice(numbers), odd], "out")
        case 1:
            return Case(["analyse", "gone.mp4", "--out", "out", rng.choice(texts), odd], "out")
        case 2:
            command = rng.choice((["analyse", "clip.mp4"], ["pair", "clip.mp4", "clip.mp4"],
                                  ["demo"], ["photo", "file"], ["block", "."],
                                  ["compare", str(stock.block)],
                                  ["beside", str(stock.results), str(stock.results)],
                                  ["block-report", str(stock.block)]))  # fmt: skip
            over = ["--overwrite"] if command[0] != "block" and rng.random() < 0.5 else []
            return Case([*command, "--out", rng.choice(outs), *over])
        case 3:
            name = rng.choice(("--memory-gb", "--workers", "--view", "--sheet", "--dask"))
            return Case(["block", "full", "--out", "out", name, odd], "out")
        case 4:
            name = rng.choice(("--by", "--levels", "--split"))
            return Case(["compare", str(stock.block), name, odd, "--out", "pages"], "pages")
        case 5:
            command = rng.choice(("rules", "touchup", "compare", "photo", "block", "beside"))
            return Case([command, odd])
        case 6:
            return Case([rng.choice((*ODD_TEXT, "analyse", "benchmark")), odd])
        case 7:
            # A port that there is not ends it before it waits for anybody.
            return Case(["desk", rng.choice(outs), "--no-open", "--port", "70000"])
        case _:
            return Case(["film-check", rng.choice(("gone", "file")), "--view", odd])


MAKERS: dict[str, Maker] = {
    "media": media,
    "folder": damaged_folder,
    "sheet": sheet,
    "options": options,
}


# --- what must hold -------------------------------------------------------------------------------


def contents(folder: Path) -> dict[str, str]:
    """Hashes of all files, by path; folders too."""
    return {
        os.fsencode(p.relative_to(folder)).hex(): (
            hashlib.sha256(p.read_bytes()).hexdigest() if p.is_file() else "folder"
        )
        for p in folder.rglob("*")
    }


@contextlib.contextmanager
def guarded(seconds: int) -> Iterator[None]:
    """Break off what hangs."""

    def late(signum: int, frame: object) -> None:
        raise TimeoutError(f"no end after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def run(kind: str, seed: int, folder: Path, stock: Stock, monkeypatch, capfd) -> int:
    """Run one case and check all that must hold; its exit code."""
    rng = random.Random(f"{kind} {seed}")
    place, scratch = folder / "place", folder / "scratch"
    place.mkdir()
    scratch.mkdir()
    case = MAKERS[kind](rng, place, stock)
    monkeypatch.chdir(place)
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    monkeypatch.setattr(sys, "argv", ["barpath", *case.arguments])
    before, kept = contents(place), contents(stock.results.parent)
    capfd.readouterr()
    with guarded(HANG_GUARD_S):
        code, sentence = cli.outcome()
    said, complained = capfd.readouterr()
    told = f"{kind} {seed}: {case.arguments}\n{code} {sentence}\n{complained}"
    assert code in DOCUMENTED, told
    assert "Traceback" not in said + complained, told
    assert bool(sentence) == (code != 0), told
    assert "\n" not in sentence.strip(), told
    ours = [line for line in complained.splitlines() if line.startswith(("Note: ", "barpath: "))]
    if code not in (0, 7):
        assert not ours, told
    # What the folder for the results holds is checked by its own readers.
    after = {k: v for k, v in contents(place).items() if not _in(k, case.out)}
    assert after == {k: v for k, v in before.items() if not _in(k, case.out)}, told
    assert contents(stock.results.parent) == kept, told
    names = [p.name for p in place.rglob("*")]
    assert not [n for n in names if TEMPORARY.search(n) and not n.startswith("clip")], told
    assert not list(scratch.iterdir()), told
    if case.out and code not in (0, 7):
        assert not (place / case.out).exists(), told
    return code


def _in(hexed: str, out: str) -> bool:
    path = bytes.fromhex(hexed).decode("utf-8", "surrogateescape")
    return bool(out) and (path == out or path.startswith(f"{out}/"))
