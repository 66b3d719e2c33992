"""What the pages of a desk show."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from barpath.analysis.store import SUMMARY_FILE, read_results
from barpath.block import blockstore
from barpath.block.jobs import ClipEntry
from barpath.block.plan import CLIP_SUFFIXES, SHEET_FIELDS
from barpath.errors import BarpathError, OptionError, reason_of
from barpath.ground.equipment import BARS, LARGEST_DISC_MM, POWER_BAR
from barpath.ground.files import read_json
from barpath.ground.names import told_name
from barpath.ground.view import AUTO, CHOICES, VIEWS, is_open
from barpath.page.desk import shelf
from barpath.page.desk.desk import Desk
from barpath.page.desk.guesses import likely_pairs
from barpath.page.desk.labels import labels_mark
from barpath.page.desk.queue import DONE, FAILED, STOPPED, WAITING, WORKING, Job
from barpath.page.desk.shelf import OWN, Bench, Clip
from barpath.page.desk.tasks import BESIDE, CHECK, COMPARE, PAGES, PAIR, SET
from barpath.report import answer, pages
from barpath.report.besidepage import BESIDE_PAGE
from barpath.report.blockpages import COACH_PAGE
from barpath.report.comparepage import COMPARE_PAGE
from barpath.report.facts import facts_of, profile_of
from barpath.report.output import ARMS_FILE, REPORT_FILE

PLACES = ("sets", "pairs", "compared", "pages", "comparison")
ABOUT_TO = "begins as soon as there is room"
VIEW_WORDS = {
    "": "not known yet",
    AUTO: "told by the clip itself",
    "pair": "from both",
} | {view.name: view.words for view in VIEWS}
KIND_WORDS = {
    CHECK: "film check",
    SET: "measuring",
    PAIR: "views together",
    BESIDE: "side by side",
    PAGES: "pages for coach and lifters",
    COMPARE: "comparison of setups",
}
FIELD_WORDS = {
    "lifter": ("Lifter", ""),
    "date": ("Day", "as in 2026-03-05"),
    "view": ("Filmed", ""),
    "load_kg": ("Load", "kg, bar and plates together"),
    "plate_mm": ("Plate", f"mm across; {LARGEST_DISC_MM:.0f} if not said"),
    "bar": ("Bar", f"{', '.join(BARS)}, or mm as in 1080:1800; {POWER_BAR.name} if not said"),
    "technique": ("What was tried", "such as flared or tucked; sets are compared by it"),
    "pair": (
        "Set filmed from several places",
        "clips of one lifter and day with the same mark show one set",
    ),
    "stature_cm": ("Lifter's height", "cm"),
    "upper_arm_cm": ("Upper arm", "cm, shoulder to elbow by tape"),
    "capture_fps": ("Real frames a second", "only of slow motion that does not tell"),
}
MORE_FIELDS = ("plate_mm", "bar", "stature_cm", "upper_arm_cm", "capture_fps")


@lru_cache(maxsize=512)
def _said(folder: Path, stamp_ns: int) -> tuple[str, str]:
    """What a set answers, in a sentence or two, or what is amiss with its folder."""
    try:
        result = read_results(folder)
        told = answer.answer(facts_of(result), profile_of(result))
    except BarpathError as error:
        return str(error), ""
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        return f"Its answer cannot be told ({type(error).__name__}).", ""
    return told.headline, told.detail


def _stamp(folder: Path) -> int:
    with suppress(OSError):
        return (folder / SUMMARY_FILE).stat().st_mtime_ns
    return 0


def labels_shown(entry: ClipEntry) -> list[str]:
    """What is said of a clip, in words."""
    told = (
        entry.lifter if entry.lifter != "lifter" else "",
        entry.date,
        "" if is_open(entry.view) else VIEW_WORDS[entry.view],
        "" if entry.load_kg is None else f"{entry.load_kg:g} kg",
        entry.technique,
        f"set {entry.pair}, from several places" if entry.pair else "",
    )
    return [text for text in told if text]


def guesses_shown(clip: Clip) -> list[str]:
    """What of a clip was guessed, and from what, in words."""
    by_source: dict[str, list[str]] = {}
    for name, source in clip.guessed.items():
        if name in FIELD_WORDS:
            by_source.setdefault(str(source), []).append(FIELD_WORDS[name][0].lower())
    return [f"Guessed from {source}: {', '.join(names)}" for source, names in by_source.items()]


def bench_shown(desk: Desk, bench: Bench) -> dict[str, Any]:
    """All that the page of a bench shows."""
    # Before all that it stands for: what changes meanwhile is then shown anew, never missed.
    version = version_of(desk, bench)
    clips = shelf.clips_of(bench)
    jobs = [job for job in desk.queue.jobs() if job.task.bench == bench.key]
    state_of = {j.task.clips[0]: j for j in jobs if j.task.kind == SET}
    checks = {j.task.clips[0]: j.state for j in jobs if j.task.kind == CHECK}
    shown = [_clip_shown(bench, c, state_of.get(c.name), checks.get(c.name, "")) for c in clips]
    groups: dict[str, list[dict[str, Any]]] = {}
    days: dict[str, str] = {}
    for row, clip in sorted(zip(shown, clips, strict=True), key=lambda pair: pair[0]["group"]):
        groups.setdefault(row["group"], []).append(row)
        days[row["group"]] = clip.entry.date
    by_stem = {clip.stem: clip for clip in clips}
    listed = [j for j in jobs if j.state != DONE and not (j.state == FAILED and j.task.kind == SET)]
    return {
        "bench": bench,
        "own": bench.key == OWN,
        # The latest day comes first.
        "groups": [
            {"title": title, "clips": groups[title]}
            for title in sorted(groups, key=days.__getitem__, reverse=True)
        ],
        "n_clips": len(clips),
        "n_measured": sum(row["state"] == "measured" for row in shown),
        "failed": [row for row in shown if row["sentence"]],
        "jobs": [_job_shown(job) for job in listed],
        "likely": [(by_stem[a.stem], by_stem[b.stem]) for a, b in likely_pairs(clips)],
        "pairs": pairs_shown(bench, clips, jobs),
        "beside": _beside_shown(bench),
        "over_all": _over_all_shown(bench),
        "columns": _columns(bench, clips),
        "version": version,
        "others": [
            {"key": b.key, "title": title_of(b)}
            for b in desk.benches().values()
            if b.key != bench.key
        ],
        "title": title_of(bench),
    }


def title_of(bench: Bench) -> str:
    """What a bench is called."""
    return "Your desk" if bench.key == OWN else told_name(bench.clips.name)


def version_of(desk: Desk, bench: Bench) -> str:
    """A mark that changes whenever the page of a bench would read otherwise, but for progress."""
    facts: list[Any] = [
        (j.task.key, j.state, j.sentence) for j in desk.queue.jobs() if j.task.bench == bench.key
    ]
    for clip in shelf.clips_of(bench):
        facts.append((clip, _stamp(bench.set_folder(clip.name))))
    for place in PLACES[1:]:
        with suppress(OSError):
            facts += [
                (p.name, p.stat().st_mtime_ns) for p in sorted((bench.home / place).iterdir())
            ]
    facts.append(sorted(desk.benches()))
    return hashlib.sha256(repr(facts).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _clip_shown(bench: Bench, clip: Clip, job: Job | None, check_state: str) -> dict[str, Any]:
    entry = clip.entry
    state = "measured" if clip.result is not None else "new"
    sentence = entry.fault
    if job is not None and job.state in (WAITING, WORKING, STOPPED, FAILED):
        state = job.state
        sentence = sentence or job.sentence
    row: dict[str, Any] = {
        "stem": clip.stem,
        "name": clip.name,
        "group": entry.session if entry.session != "lifter" else "Nobody named yet",
        "labels": labels_shown(entry),
        "guesses": guesses_shown(clip),
        "state": "failed" if entry.fault else state,
        "sentence": sentence,
        "job": "" if job is None else job.task.key,
        "size_mb": clip.size / 1e6,
        "check": _check_shown(clip, check_state),
        "said": None,
        "place": "",
    }
    if clip.result is not None:
        headline, detail = _said(clip.result, _stamp(clip.result))
        row |= {
            "said": {"headline": headline, "detail": detail},
            "place": f"sets/{clip.stem}",
            "picture": (clip.result / ARMS_FILE).is_file(),
        }
    return row


def _check_shown(clip: Clip, state: str) -> dict[str, Any]:
    check = clip.check
    if state in (WAITING, WORKING):
        return {"words": "Film check at work", "rows": [], "kind": "open"}
    if check is None:
        return {"words": "Not checked yet", "rows": [], "kind": "open"}
    if error := check.get("error"):
        return {"words": f"Film check: {error}", "rows": [], "kind": "change"}
    rows = [
        dict(zip(("item", "value", "verdict", "words"), r, strict=False)) for r in check["rows"]
    ]
    change = [row for row in rows if row["verdict"] == "change"]
    view = VIEW_WORDS.get(str(check.get("view", "")), "")
    words = f"{pages.plural(len(change), 'thing')} to change" if change else "well filmed"
    return {
        "words": f"Film check, {view}: {words}",
        "rows": rows,
        "change": change,
        "kind": "change" if change else "good",
    }


def _job_shown(job: Job) -> dict[str, Any]:
    task = job.task
    clips = [] if task.kind in (PAGES, COMPARE) else list(task.clips)
    return {
        "key": task.key,
        "kind": KIND_WORDS[task.kind],
        "clips": [Path(clip).name if task.kind == BESIDE else clip for clip in clips],
        "state": job.state,
        "sentence": job.sentence,
        "stage": job.stage or ABOUT_TO,
        "share": job.share,
    }


def pairs_shown(bench: Bench, clips: Sequence[Clip], jobs: Sequence[Job]) -> list[dict[str, Any]]:
    """Sets that several clips show, with the page of each where there is one."""
    together: dict[tuple[str, str], list[Clip]] = {}
    for clip in clips:
        if clip.entry.pair:
            together.setdefault((clip.entry.session, clip.entry.pair), []).append(clip)
    rows = []
    for (session, pair), members in together.items():
        if len(members) < 2:
            continue
        names = [clip.name for clip in members]
        folder = shelf.pair_folder(bench, names)
        made = (folder / REPORT_FILE).is_file()
        newest = max(_stamp(bench.set_folder(name)) for name in names)
        rows.append(
            {
                "title": f"{session}, set {pair}",
                "names": names,
                "stems": [clip.stem for clip in members],
                "place": f"pairs/{folder.name}" if made else "",
                "old": made and newest > _stamp(folder),
            }
        )
    return rows


def _beside_shown(bench: Bench) -> list[dict[str, str]]:
    rows = []
    with suppress(OSError):
        for folder in sorted((bench.home / "compared").iterdir()):
            with suppress(OSError, ValueError, KeyError, TypeError):
                told = read_json(bench.home / "known" / f"beside-{folder.name}.json")
                if (folder / BESIDE_PAGE).is_file():
                    rows.append(
                        {
                            "title": " and ".join(map(str, told["names"])),
                            "place": f"compared/{folder.name}/{BESIDE_PAGE}",
                        }
                    )
    return rows


def _over_all_shown(bench: Bench) -> dict[str, bool]:
    return {
        "table": (bench.block / blockstore.TABLE_FILE).is_file(),
        "coach": (bench.home / "pages" / COACH_PAGE).is_file(),
        "comparison": (bench.home / "comparison" / COMPARE_PAGE).is_file(),
    }


def _columns(bench: Bench, clips: Sequence[Clip]) -> list[str]:
    extra = {name for clip in clips for name, _ in clip.entry.labels}
    return ["technique", *sorted(extra)]


def last_said(jobs: Sequence[Job]) -> str:
    """A sentence on the job that ended last, for those who do not see the page change."""
    ended = [j for j in jobs if j.state in (DONE, FAILED)]
    if not ended:
        return ""
    job = ended[-1]
    what = ", ".join(Path(c).name for c in job.task.clips) or title_case(KIND_WORDS[job.task.kind])
    words = {CHECK: "film check done", SET: "measured"}.get(job.task.kind, "done")
    return f"{what}: {words if job.state == DONE else job.sentence}"


def title_case(text: str) -> str:
    """Text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def details_shown(desk: Desk, bench: Bench, clip: Clip, problem: str = "") -> dict[str, Any]:
    """All that the page of a clip's details shows."""
    entry = clip.entry
    numbers = {
        "load_kg": entry.load_kg,
        "plate_mm": entry.plate_mm,
        "stature_cm": None if entry.stature_m is None else 100 * entry.stature_m,
        "upper_arm_cm": None if entry.upper_arm_m is None else 100 * entry.upper_arm_m,
        "capture_fps": entry.capture_fps,
    }
    values = {name: "" if value is None else f"{value:g}" for name, value in numbers.items()}
    values |= {name: getattr(entry, name) for name in ("date", "view", "technique", "pair", "bar")}
    values["lifter"] = "" if entry.lifter == "lifter" else entry.lifter
    others = shelf.entries_of(bench)
    fields = [
        {
            "name": name,
            "label": FIELD_WORDS[name][0],
            "hint": FIELD_WORDS[name][1],
            "value": values[name],
            "guess": clip.guessed.get(name, ""),
            "known": sorted({getattr(e, name) for e in others} - {"", "lifter"})
            if name in ("lifter", "technique")
            else [],
        }
        for name in SHEET_FIELDS
    ]
    mine = [j for j in desk.queue.jobs() if j.task.bench == bench.key]
    jobs = {j.task.clips[0]: j for j in mine if j.task.kind == SET}
    checks = {j.task.clips[0]: j.state for j in mine if j.task.kind == CHECK}
    row = _clip_shown(bench, clip, jobs.get(clip.name), checks.get(clip.name, ""))
    return {
        "bench": bench,
        "clip": row,
        "fields": [f for f in fields if f["name"] not in MORE_FIELDS],
        "more": [f for f in fields if f["name"] in MORE_FIELDS],
        "views": [(v, VIEW_WORDS[v]) for v in CHOICES],
        "mark": labels_mark(entry),
        "problem": problem,
        "title": clip.name,
    }


def folders_shown(at: Path) -> dict[str, Any]:
    """Folders inside a folder of this machine, to choose one from."""
    inside = []
    try:
        for entry in os.scandir(at):
            with suppress(OSError):
                if entry.is_dir() and not entry.name.startswith("."):
                    inside.append(Path(entry.path))
    except OSError as error:
        raise OptionError(f"'{told_name(str(at))}' cannot be read: {reason_of(error)}.") from error
    with suppress(OSError):
        n_clips = sum(p.suffix.lower() in CLIP_SUFFIXES for p in at.iterdir())
    return {
        "at": told_name(str(at)),
        "here": _hex(at),
        "above": "" if at.parent == at else _hex(at.parent),
        "n_clips": n_clips,
        "inside": [
            {"name": told_name(p.name), "at": _hex(p)}
            for p in sorted(inside, key=lambda p: p.name.casefold())
        ],
    }


def _hex(path: Path) -> str:
    return os.fsencode(path).hex()
