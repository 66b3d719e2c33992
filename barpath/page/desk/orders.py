"""What the forms of a desk's page ask for, done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from barpath.errors import OptionError
from barpath.ground.files import json_bytes, write_atomically
from barpath.page.desk import labels, shelf
from barpath.page.desk.desk import Desk
from barpath.page.desk.naming import names_for
from barpath.page.desk.shelf import Bench, Clip
from barpath.page.desk.shown import pairs_shown
from barpath.page.desk.tasks import BESIDE, CHECK, COMPARE, PAGES, PAIR, SET
from barpath.report.besidefilm import BesideConfig


def act(desk: Desk, bench: Bench, form: Mapping[str, Sequence[str]]) -> None:
    """Do what a form of the bench asks for.

    Raises
    ------
    OptionError
        It cannot be done, in one sentence.
    """
    clips = {clip.stem: clip for clip in shelf.clips_of(bench)}
    picked = [clips[stem] for stem in form.get("pick", []) if stem in clips]
    pairs = [place for place in form.get("pick-pair", []) if place.startswith("pairs/")]
    what = (form.get("do") or [""])[0]
    match what:
        case "measure" | "check" | "remove" if not picked:
            raise OptionError("Pick the clips first.")
        case "measure":
            for clip in picked:
                desk.queue.add(SET, bench, [clip.name])
        case "measure-all":
            for clip in clips.values():
                if clip.result is None and not clip.entry.fault:
                    desk.queue.add(SET, bench, [clip.name])
        case "check":
            for clip in picked:
                desk.queue.add(CHECK, bench, [clip.name])
        case "pair":
            if len(picked) < 2:
                raise OptionError("Pick the clips that show one set from several places.")
            with desk.writing:
                label = labels.join(bench, [clip.name for clip in picked])
            # In the order of the bench, so that the same clips make the same pair; with those that
            # were said to show this set before.
            mine = [c for c in shelf.clips_of(bench) if c.entry.pair == label]
            together = [c for c in mine if c.entry.session == picked[0].entry.session]
            for clip in together:
                if clip.result is None:
                    desk.queue.add(SET, bench, [clip.name])
            names = [clip.name for clip in together]
            desk.queue.add(PAIR, bench, names)
        case "beside":
            _compare_picked(desk, bench, picked, pairs)
        case "remove":
            for clip in picked:
                if desk.queue.busy_with(bench.key, clip.name):
                    raise OptionError(f"'{clip.name}' is being measured; stop that first.")
            with desk.writing:
                for clip in picked:
                    labels.remove(bench, clip.name)
                    desk.queue.forget(
                        j.task.key
                        for j in desk.queue.jobs()
                        if j.task.bench == bench.key and clip.name in j.task.clips
                    )
        case "pages":
            desk.queue.add(PAGES, bench)
        case "compare":
            by = (form.get("by") or ["technique"])[0]
            desk.queue.add(COMPARE, bench, by=by)
        case _:
            raise OptionError("This is not known here.")


def _compare_picked(desk: Desk, bench: Bench, picked: Sequence[Clip], pairs: Sequence[str]) -> None:
    most = BesideConfig().most
    if not 2 <= len(picked) + len(pairs) <= most:
        raise OptionError(f"Pick from two to {most} measured sets to see them side by side.")
    for clip in picked:
        if clip.result is None:
            raise OptionError(f"'{clip.name}' is not measured yet; measure it first.")
    by_place = {row["place"]: row for row in pairs_shown(bench, shelf.clips_of(bench), [])}
    if not set(pairs) <= set(by_place):
        raise OptionError("This pair is not there any more.")
    places = [f"sets/{clip.stem}" for clip in picked] + list(pairs)
    names = names_for([clip.entry for clip in picked]) if picked else []
    names += [by_place[place]["title"] for place in pairs]
    target = shelf.beside_folder(bench, [bench.home / place for place in places])
    note = bench.home / "known" / f"beside-{target.name}.json"
    write_atomically(note, json_bytes({"names": names}))
    desk.queue.add(BESIDE, bench, places, by="\n".join(names))
