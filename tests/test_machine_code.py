"""Machine code must never be older than the physics it was made from."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sim.physics import compiled, compiling


@pytest.fixture
def package(tmp_path):
    """Return a copy of the package's sources."""
    copy = tmp_path / "sim"
    shutil.copytree(compiled.PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    return copy


@pytest.mark.parametrize("source", ["physics/film.py", "integrate/step.py", "units.py"])
def test_an_edit_of_any_compiled_source_leaves_the_old_code_behind(package, source):
    before = compiled.digest_of(package)
    path = package / source
    path.write_text(path.read_text() + "\n# edited\n")

    assert compiled.digest_of(package) != before


def test_code_of_older_sources_is_removed(package, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    old = package / "__pycache__" / f"{compiled.PREFIX}old"
    old.mkdir(parents=True)
    monkeypatch.setattr(compiled, "PACKAGE", package)
    folder = compiled.cache_folder.__wrapped__()

    assert folder == package / "__pycache__" / (compiled.PREFIX + compiled.digest_of(package))
    assert folder.is_dir()
    assert not old.exists()


def test_a_package_that_cannot_be_written_uses_the_users_own_folder(package, tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    (package / "__pycache__").write_text("a file where a folder would be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(compiled, "PACKAGE", package)
    folder = compiled.cache_folder.__wrapped__()

    assert folder.parent == tmp_path / "cache" / "stillair"


def test_where_nothing_can_be_written_code_is_made_anew_each_time(package, tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    (package / "__pycache__").write_text("")
    (tmp_path / "cache").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(compiled, "PACKAGE", package)

    assert compiled.cache_folder.__wrapped__() is None


def test_a_chosen_cache_folder_is_kept_to(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))

    assert compiled.cache_folder.__wrapped__().parent == Path(tmp_path)


@pytest.mark.skipif(not compiled.has_machine_code(), reason="the compiler is switched off")
def test_who_waits_is_told_once_that_a_march_is_compiled(monkeypatch):
    from numba import njit

    def run(x):
        return x + 1

    def other(x):
        return x + 2

    run.__module__ = other.__module__ = "sim.integrate.pretended"
    told = []
    monkeypatch.setattr(compiling, "TOLD", [lambda: told.append("compiling")])
    njit(other)(1)
    before = list(told)
    quick = njit(run)
    assert (quick(1), quick(2), quick(1.0)) == (2, 3, 2.0)

    assert (before, told) == ([], ["compiling"])
