"""Fetch the vendored files anew and rewrite `vendor.toml`; or check what is there.

Usage: ``python tools/vendor.py`` (needs npm and the registry) or ``python tools/vendor.py --check``
(needs neither). To take a newer version, change `version` in `vendor.toml` and run the first.
Users of Pitwise never need this: the files are committed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

ROOT = Path(__file__).resolve().parent.parent
MANIFEST = "vendor.toml"
#: Folders that hold nothing but vendored files: a file here must be on the list.
FOLDERS = (
    "src/pitwise/reports/fonts",
    "src/pitwise/web/static/vendor",
    "tests/browser/vendor",
)
HEAD = """\
# Files made elsewhere that Pitwise ships, or tests with. tools/vendor.py fetches them anew and
# rewrites this list; tests/test_vendor.py holds every file to it. `member` is the file's place in
# the npm package's archive.
"""


@dataclass(frozen=True)
class Vendored:
    """One vendored file: where it stands, and what it was taken from."""

    path: str
    package: str
    version: str
    member: str
    licence: str
    sha256: str


def read_manifest(root: Path = ROOT) -> list[Vendored]:
    """Return the manifest's rows; a row with an odd or missing key is refused."""
    rows = tomllib.loads((root / MANIFEST).read_text("utf-8"))["file"]
    files = [Vendored(**row) for row in rows]
    for file in files:
        place = PurePosixPath(file.path)
        inside = any(place.is_relative_to(folder) for folder in FOLDERS)
        if not inside or ".." in place.parts:
            raise ValueError(f"{file.path}: outside the vendored folders {', '.join(FOLDERS)}")
    return files


def write_manifest(files: Iterable[Vendored], root: Path = ROOT) -> None:
    """Write the manifest, rows by path."""
    text = HEAD
    for file in sorted(files, key=lambda f: f.path):
        lines = [f"{key} = {json.dumps(value)}" for key, value in vars(file).items()]
        text += "\n[[file]]\n" + "\n".join(lines) + "\n"
    (root / MANIFEST).write_text(text, "utf-8")


def digest(data: bytes) -> str:
    """Return the SHA-256 of `data` in hex."""
    return hashlib.sha256(data).hexdigest()


def problems(root: Path = ROOT) -> list[str]:
    """Return what is wrong between the manifest and the files, in words; empty when nothing."""
    files = read_manifest(root)
    out = []
    listed = [f.path for f in files]
    out += [f"{path}: listed twice" for path in sorted({p for p in listed if listed.count(p) > 1})]
    for file in files:
        place = root / file.path
        if not place.is_file():
            out.append(f"{file.path}: is missing")
        elif digest(place.read_bytes()) != file.sha256:
            out.append(f"{file.path}: differs from the manifest's sha256")
    there = {
        p.relative_to(root).as_posix()
        for folder in FOLDERS
        for p in (root / folder).rglob("*")
        if p.is_file()
    }
    out += [f"{path}: not in {MANIFEST}" for path in sorted(there - set(listed))]
    return out


def members(package: str, version: str, names: Iterable[str]) -> dict[str, bytes]:
    """Fetch one version of an npm package and return the named files of it."""
    with tempfile.TemporaryDirectory() as folder:
        made = subprocess.run(
            ["npm", "pack", "--silent", "--ignore-scripts", f"{package}@{version}"],
            cwd=folder,
            check=True,
            capture_output=True,
            text=True,
        )
        archive = Path(folder) / made.stdout.strip().splitlines()[-1]
        out = {}
        with tarfile.open(archive) as tar:
            for name in names:
                stream = tar.extractfile(f"package/{name}")
                if stream is None:
                    raise FileNotFoundError(f"{package}@{version} has no file {name}")
                out[name] = stream.read()
        return out


def fetch(root: Path = ROOT) -> None:
    """Fetch every listed file, write it to its place and the manifest anew."""
    wanted: dict[tuple[str, str], list[Vendored]] = {}
    for file in read_manifest(root):
        wanted.setdefault((file.package, file.version), []).append(file)
    done = []
    for (package, version), files in wanted.items():
        contents = members(package, version, [f.member for f in files])
        for file in files:
            data = contents[file.member]
            place = root / file.path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
            new = replace(file, sha256=digest(data))
            state = "same" if new.sha256 == file.sha256 else "CHANGED"
            print(f"{state:8}{file.path}  {package}@{version}")
            done.append(new)
    write_manifest(done, root)


def main() -> int:
    """Run the script; 0 when all is as the manifest says."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare only; fetch nothing")
    if not parser.parse_args().check:
        fetch()
    found = problems()
    for line in found:
        print(line, file=sys.stderr)
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
