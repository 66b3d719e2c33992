"""Whatever is given: a documented exit code, one sentence, nothing half-written, nothing lost."""

import pytest

from tests.faults import finder

COMMON = {"media": 14, "folder": 20, "sheet": 12, "options": 14}
LONG = {"media": 130, "folder": 150, "sheet": 100, "options": 120}


@pytest.fixture(scope="module")
def stock(tmp_path_factory):
    return finder.make_stock(tmp_path_factory.mktemp("stock"))


@pytest.mark.parametrize(("kind", "seed"), [(k, s) for k, n in COMMON.items() for s in range(n)])
def test_sixty_odd_things(kind, seed, stock, tmp_path, monkeypatch, capfd):
    finder.run(kind, seed, tmp_path, stock, monkeypatch, capfd)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "seed"), [(k, s) for k, n in LONG.items() for s in range(1000, 1000 + n)]
)
def test_five_hundred_odd_things(kind, seed, stock, tmp_path, monkeypatch, capfd):
    finder.run(kind, seed, tmp_path, stock, monkeypatch, capfd)
