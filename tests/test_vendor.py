"""Every vendored file is what the manifest says, and none is unlisted."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("pitwise_vendor", ROOT / "tools" / "vendor.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up there
    spec.loader.exec_module(module)
    return module


vendor = _script()
FILES = vendor.read_manifest()


def test_every_file_is_as_listed_and_none_is_unlisted() -> None:
    assert vendor.problems() == []


@pytest.mark.parametrize("file", FILES, ids=[f.path for f in FILES])
def test_each_row_says_where_the_file_is_from(file: object) -> None:
    values = vars(file)
    assert all(values.values())
    assert len(values["sha256"]) == 64
    assert values["version"][0].isdigit()


def test_each_package_has_its_licence_beside_it() -> None:
    for package in {f.package for f in FILES}:
        texts = [
            (ROOT / f.path).read_text("utf-8")
            for f in FILES
            if f.package == package and "LICENSE" in f.member
        ]
        assert texts, package
        assert any(len(text) > 400 for text in texts), package


def test_the_manifest_is_as_the_script_writes_it(tmp_path: Path) -> None:
    vendor.write_manifest(FILES, tmp_path)
    assert (tmp_path / "vendor.toml").read_text() == (ROOT / "vendor.toml").read_text()


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the vendored files that a test may spoil."""
    shutil.copy(ROOT / "vendor.toml", tmp_path)
    for folder in vendor.FOLDERS:
        shutil.copytree(ROOT / folder, tmp_path / folder)
    assert vendor.problems(tmp_path) == []
    return tmp_path


def test_a_changed_file_is_named(copy: Path) -> None:
    with (copy / FILES[0].path).open("ab") as stream:
        stream.write(b"x")
    assert vendor.problems(copy) == [f"{FILES[0].path}: differs from the manifest's sha256"]


def test_a_missing_file_is_named(copy: Path) -> None:
    (copy / FILES[0].path).unlink()
    assert vendor.problems(copy) == [f"{FILES[0].path}: is missing"]


def test_an_unlisted_file_is_named(copy: Path) -> None:
    (copy / "src/pitwise/web/static/vendor/more.js").write_text("")
    assert vendor.problems(copy) == ["src/pitwise/web/static/vendor/more.js: not in vendor.toml"]


def test_a_row_outside_the_folders_is_refused(copy: Path) -> None:
    manifest = copy / "vendor.toml"
    manifest.write_text(manifest.read_text().replace(FILES[0].path, "src/pitwise/evil.py"))
    with pytest.raises(ValueError, match=r"src/pitwise/evil\.py: outside"):
        vendor.problems(copy)
