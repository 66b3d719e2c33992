"""Files and folders written whole or not at all, and what a killed run left cleared away.

A folder is filled under a temporary name beside its own and then changes places with what was
there, in one step where the system can (Linux, macOS). While a run is at work on such a folder it
holds an advisory lock on it, which the system frees when the run is killed: what carries our mark
and is not locked has been left behind. Where there are no such locks nothing is cleared.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import re
import secrets
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, TypeGuard

from barpath.errors import OutputError, reason_of

if sys.platform == "win32":
    fcntl = None
else:
    import fcntl

MANIFEST_FILE = "manifest.json"
MANIFEST_NAME = "barpath-manifest"
MANIFEST_VERSION = 1
SCRATCH_PREFIX = "barpath-"

_AT_FDCWD, _EXCHANGE = -100, 2
_MAX_NAME_BYTES = 100
_MARK = "[0-9a-f]{8}"
# A reader may come between two renames of a writer; it looks again before it calls a file damaged.
_LOOKS = 3


# --- single files ---------------------------------------------------------------------------------


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file under a temporary name beside its own, and rename it into place.

    Raises
    ------
    OutputError
        It cannot be written; nothing is left behind.
    """
    part = path.with_name(_temporary(path, "part", secrets.token_hex(4)))
    try:
        with part.open("wb") as file:
            if fcntl is not None:
                with suppress(OSError):
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            _write_out(file, data)
            if fcntl is not None:
                part.replace(path)
        # Windows renames no open file.
        if fcntl is None:
            part.replace(path)
    except OSError as error:
        raise OutputError(f"'{path}' cannot be written: {reason_of(error)}.") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_synced(path: Path, data: bytes) -> None:
    """Write a file and wait until it is on the disk."""
    with path.open("wb") as file:
        _write_out(file, data)


def _write_out(file: BinaryIO, data: bytes) -> None:
    file.write(data)
    file.flush()
    os.fsync(file.fileno())


def json_bytes(content: Any) -> bytes:
    """Strict JSON with sorted keys; floats are written so that they read back the same."""
    return (json.dumps(content, sort_keys=True, allow_nan=False, indent=1) + "\n").encode()


def read_json(path: Path) -> Any:
    """Read a JSON file.

    Raises
    ------
    OSError, ValueError
        It cannot be read; it is no JSON, is nested too deeply, or holds NaN.
    """

    def refuse(constant: str) -> None:
        raise ValueError(constant)

    try:
        return json.loads(path.read_text("utf-8"), parse_constant=refuse)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def sha256_of(path: Path) -> str:
    """Hash of a file's content.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# --- the manifest ---------------------------------------------------------------------------------


def manifest_bytes(sha256: Mapping[str, str]) -> bytes:
    """Content of a manifest: what each file of a folder must hash to.

    Parameters
    ----------
    sha256 : mapping of file name to hash
        Names are relative to the folder, with forward slashes.
    """
    return json_bytes({"name": MANIFEST_NAME, "version": MANIFEST_VERSION, "sha256": dict(sha256)})


def write_manifest(folder: Path, names: Iterable[str]) -> None:
    """Write the manifest of files that lie in a folder."""
    hashes = {name: sha256_of(folder / name) for name in names}
    (folder / MANIFEST_FILE).write_bytes(manifest_bytes(hashes))


def read_manifest(folder: Path) -> dict[str, str] | None:
    """Hashes by file name; None when the folder has no manifest.

    Raises
    ------
    OutputError
        The manifest is damaged or was written by a newer version.
    """
    path = folder / MANIFEST_FILE
    try:
        data = read_json(path)
        if data["name"] != MANIFEST_NAME or not isinstance(data["version"], int):
            raise damaged(folder, MANIFEST_FILE)
        if data["version"] > MANIFEST_VERSION:
            raise OutputError(f"'{folder}' was written by a newer version of barpath.")
        return {str(name): str(value) for name, value in data["sha256"].items()}
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise damaged(folder, MANIFEST_FILE) from error


def damaged(folder: Path, name: str, what: str = "") -> OutputError:
    """The error that names a damaged file of a folder."""
    tail = f": {what}" if what else ""
    return OutputError(f"The folder '{folder}' is damaged in its file '{name}'{tail}.")


def verify(folder: Path, names: Iterable[str] | None = None) -> bool:
    """Check files of a folder against its manifest.

    Parameters
    ----------
    folder : Path
    names : iterable of str, optional
        Only these; all of the manifest if not given.

    Returns
    -------
    bool
        False when there is no manifest to check against.

    Raises
    ------
    OutputError
        A file is not as it was written.
    """
    hashes = read_manifest(folder)
    if hashes is None:
        return False
    for name in hashes if names is None else names:
        if name not in hashes:
            raise damaged(folder, MANIFEST_FILE, f"it does not tell of '{name}'")
        find_file(folder, name)
    return True


def find_file(folder: Path, name: str) -> Path:
    """Where a file lies whose content is what the folder's manifest says.

    Normally that is its place in the folder. When a run was killed between the writing of the
    manifest and the last rename of `commit`, it is still where it was made ready.

    Raises
    ------
    OutputError
        It is missing, or not as it was written. Without a manifest only a missing file is told.
    """
    for _ in range(_LOOKS):
        hashes = read_manifest(folder)
        staged = [stage / name for stage in _stages(folder)]
        for path in (folder / name, *staged):
            with suppress(OSError):
                if path.is_file() and (
                    hashes is None or name not in hashes or sha256_of(path) == hashes[name]
                ):
                    return path
    raise damaged(folder, name, "it is missing" if not (folder / name).exists() else "")


def commit(folder: Path, files: Mapping[str, bytes]) -> None:
    """Replace files of a folder together: a reader finds all old or all new.

    They are made ready in a folder inside, then the manifest is replaced, which decides, then they
    are renamed into place; `finish` completes what was broken off after the decision. Only one
    process may write in the folder at a time.

    Parameters
    ----------
    folder : Path
    files : mapping of name to content
        All that the manifest is to tell of; names with forward slashes.

    Raises
    ------
    OutputError
        They cannot be written; the old ones are as they were.
    """
    stage = folder / f".stage-{secrets.token_hex(4)}"
    try:
        for name, data in files.items():
            (stage / name).parent.mkdir(parents=True, exist_ok=True)
            write_synced(stage / name, data)
    except BaseException as error:
        shutil.rmtree(stage, ignore_errors=True)
        if isinstance(error, OSError):
            raise OutputError(f"'{folder}' cannot be written: {reason_of(error)}.") from error
        raise
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    try:
        write_atomically(folder / MANIFEST_FILE, manifest_bytes(hashes))
    except BaseException:
        shutil.rmtree(stage, ignore_errors=True)
        raise
    _move_in(folder, stage, hashes)


def read_manifest_quietly(folder: Path) -> dict[str, str]:
    """Hashes by file name, none where there is no manifest that can be read."""
    with suppress(OutputError):
        return read_manifest(folder) or {}
    return {}


def finish(folder: Path) -> None:
    """Complete or clear what a killed `commit` or `write_atomically` left in a folder."""
    hashes = read_manifest_quietly(folder)
    for stage in _stages(folder):
        _move_in(folder, stage, hashes)
    clear_parts(folder)


def clear_parts(folder: Path) -> None:
    """Remove half-written files and folders of `write_atomically` and its like."""
    for part in folder.glob(".*.part-*"):
        if part.is_dir() and not part.is_symlink():
            shutil.rmtree(part, ignore_errors=True)
        else:
            with suppress(OSError):
                part.unlink()


def _stages(folder: Path) -> list[Path]:
    return sorted(p for p in folder.glob(".stage-*") if p.is_dir() and not p.is_symlink())


def _move_in(folder: Path, stage: Path, hashes: Mapping[str, str]) -> None:
    for name, want in hashes.items():
        with suppress(FileNotFoundError):
            if sha256_of(stage / name) == want:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (stage / name).replace(folder / name)
    shutil.rmtree(stage, ignore_errors=True)


# --- whole folders --------------------------------------------------------------------------------


Check = Callable[[Path], object]


def prepare(folder: str | os.PathLike[str], check: Check) -> Path:
    """See, before any work is done, that a folder or file can be made, and clear leftovers.

    Parameters
    ----------
    folder : path-like
        What is to be written.
    check : callable
        Given its whole path; raises an `OutputError` when it may not be written.

    Returns
    -------
    Path
        The whole path.

    Raises
    ------
    OutputError
        `check` refuses it, or it could not be made there.
    """
    target = resolved(folder)
    try:
        near = target.parent
        below = [target.name]
        while not near.exists():
            below.append(near.name)
            near = near.parent
        for name in below:
            # Tells of names that the disk cannot hold.
            with suppress(FileNotFoundError):
                os.lstat(near / name)
        if not near.is_dir():
            raise NotADirectoryError(20, os.strerror(20), str(near))
        if near == target.parent:
            clear_leftovers(target)
        check(target)
        trial = near / f".{_short(target.name)}.new-{secrets.token_hex(4)}"
        trial.mkdir()
        trial.rmdir()
    except OSError as error:
        raise cannot_write(target, error) from error
    return target


def resolved(folder: str | os.PathLike[str]) -> Path:
    """The whole path of a folder or file that is to be written.

    Raises
    ------
    OutputError
        It is no path that there can be.
    """
    try:
        return Path(folder).expanduser().resolve()
    except (OSError, RuntimeError, ValueError) as error:
        raise cannot_write(Path(folder), error) from error


def cannot_write(target: Path, error: BaseException) -> OutputError:
    """The error that says why results cannot be written, with the user's own path."""
    return OutputError(f"The results cannot be written to '{target}': {reason_of(error)}.")


@contextlib.contextmanager
def staged_folder(folder: str | os.PathLike[str], check: Check) -> Iterator[tuple[Path, Path]]:
    """Build a folder under a temporary name; put it into place when the block ends well.

    Parameters
    ----------
    folder : path-like
        Target; parents are made as needed.
    check : callable
        As for `prepare`; asked again before the target is replaced.

    Yields
    ------
    tuple of Path
        The temporary folder to fill, and the target.

    Raises
    ------
    OutputError
        `check` refuses the target, or it cannot be written. Any other exception of the block passes
        through; in every case nothing is left behind.
    """
    target = prepare(folder, check)
    made_parents: list[Path] = []
    staging: Path | None = None
    lock: int | None = None
    try:
        for parent in reversed(target.parents):
            if not parent.exists():
                parent.mkdir()
                made_parents.append(parent)
        staging, lock = _claim(lambda mark: target.with_name(_temporary(target, "new", mark)))
        yield staging, target
        # Seen again, because the block may have taken minutes.
        check(target)
        _put_in_place(staging, target)
    except BaseException as error:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)
        for parent in reversed(made_parents):
            with suppress(OSError):
                parent.rmdir()
        if isinstance(error, OSError):
            raise cannot_write(target, error) from error
        if isinstance(error, OutputError) and staging is not None:
            # What went wrong inside is told of the user's folder, not of one that is gone.
            if reason_known(error.__cause__):
                raise cannot_write(target, error.__cause__) from error
            if str(staging) in str(error):
                told = str(error).replace(str(staging), str(target))
                raise type(error)(told) from error
        raise
    finally:
        _release(lock)


def reason_known(error: BaseException | None) -> TypeGuard[BaseException]:
    """Whether an error of the system is behind another."""
    return getattr(error, "errno", None) is not None


def clear_leftovers(target: Path) -> None:
    """Clear what killed runs left beside a target; bring an earlier result back.

    Parameters
    ----------
    target : Path
        The user's folder or file, as `staged_folder` or `write_atomically` was asked for.
    """
    if fcntl is None:
        return
    short = re.escape(_short(target.name))
    pattern = re.compile(rf"\.{short}\.(new|old|part)-{_MARK}")
    with suppress(OSError):
        found = [p for p in target.parent.iterdir() if pattern.fullmatch(p.name)]
        # What is being filled comes first: while a run is at work, nothing is touched. Where two
        # renames were needed, a run may have been killed between them.
        for path in sorted(found, key=lambda p: ".old-" in p.name):
            if path.is_symlink() or path.is_dir() == (".part-" in path.name):
                continue
            with _held(path) as free:
                if not free:
                    return
                if path.is_file():
                    path.unlink()
                elif ".old-" in path.name and not os.path.lexists(target):
                    path.rename(target)
                else:
                    shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def scratch_folder() -> Iterator[Path]:
    """A temporary folder of this run; those that killed runs left behind are cleared."""
    place = Path(tempfile.gettempdir())
    clear_scratch(place)
    folder, lock = _claim(lambda mark: place / f"{SCRATCH_PREFIX}{mark}", 0o700)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        _release(lock)


def clear_scratch(place: Path | None = None) -> None:
    """Clear temporary folders that killed runs of this user left behind."""
    if fcntl is None:
        return
    pattern = re.compile(re.escape(SCRATCH_PREFIX) + _MARK)
    with suppress(OSError):
        for path in (place or Path(tempfile.gettempdir())).iterdir():
            if not pattern.fullmatch(path.name) or path.is_symlink() or not path.is_dir():
                continue
            with suppress(OSError):
                if path.stat().st_uid != os.geteuid():
                    continue
                with _held(path) as free:
                    if free:
                        shutil.rmtree(path, ignore_errors=True)


def _short(name: str) -> str:
    """A name that leaves room for a mark before and after it."""
    if len(os.fsencode(name)) <= _MAX_NAME_BYTES:
        return name
    return hashlib.sha256(os.fsencode(name)).hexdigest()[:16]


def _temporary(target: Path, kind: str, mark: str) -> str:
    return f".{_short(target.name)}.{kind}-{mark}"


def _claim(place: Callable[[str], Path], mode: int = 0o777) -> tuple[Path, int | None]:
    """Make a folder and lock it; another run that clears leftovers may come in between."""
    while True:
        path = place(secrets.token_hex(4))
        path.mkdir(mode)
        if fcntl is None:
            return path, None
        try:
            lock = os.open(path, os.O_RDONLY)
        except FileNotFoundError:
            continue
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.path.samestat(path.stat(), os.fstat(lock)):
                return path, lock
        except (BlockingIOError, FileNotFoundError):
            pass
        except OSError:
            # A disk without locks: the run goes on, and nobody clears its leftovers.
            _release(lock)
            return path, None
        _release(lock)


@contextlib.contextmanager
def _held(path: Path) -> Iterator[bool]:
    """Whether nobody is at work in a folder; it is locked meanwhile."""
    lock = os.open(path, os.O_RDONLY)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        free = True
    except OSError:
        free = False
    try:
        yield free
    finally:
        _release(lock)


def _release(lock: int | None) -> None:
    if lock is not None:
        os.close(lock)


def _put_in_place(staging: Path, target: Path) -> None:
    """Rename `staging` to `target`; an earlier folder there goes only once that has worked."""
    if not target.exists():
        staging.rename(target)
        return
    if exchanged(staging, target):
        shutil.rmtree(staging, ignore_errors=True)
        return
    aside = target.with_name(_temporary(target, "old", secrets.token_hex(4)))
    target.rename(aside)
    try:
        staging.rename(target)
    except BaseException:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def exchanged(one: Path, other: Path) -> bool:
    """Let two folders change names in one step; False where the system cannot.

    References
    ----------
    Linux manual, rename(2), ``RENAME_EXCHANGE``; macOS manual, renamex_np(2), ``RENAME_SWAP``.
    """
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        a, b = os.fsencode(one), os.fsencode(other)
        if sys.platform == "darwin":
            return libc.renamex_np(a, b, _EXCHANGE) == 0
        return libc.renameat2(_AT_FDCWD, a, _AT_FDCWD, b, _EXCHANGE) == 0
    except (OSError, AttributeError, TypeError):
        return False
