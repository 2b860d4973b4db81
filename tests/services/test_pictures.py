"""Photos of the book: kept once, shown, withdrawn; colours, turns and depths kept right."""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms
from sqlalchemy import text

import picture_files as files
from kit import Floor, open_floor
from picture_kit import nozzle, quick, send
from pitwise.records.photo_tables import PhotoBlob, PhotoThumb
from pitwise.records.rows import count_rows
from pitwise.records.tables import Base
from pitwise.services import drafts, intake, pictures, signing
from pitwise.services.book import export_book, restore_book
from pitwise.services.book_verify import verify_book
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.permissions import Actor
from pitwise.services.photofile.clean import clean_picture, pixels_of, thumb_of
from pitwise.services.photofile.colour import _P3, colours_of, p3_profile, to_srgb
from pitwise.services.photofile.limits import PictureRefused
from pitwise.services.photofile.raw import read_pixels, write_pixels

__all__ = ["quick"]

pytestmark = pytest.mark.xdist_group("pictures")


def rows(floor: Floor, table: type[Base]) -> int:
    with floor.shop.database.read() as session:
        return count_rows(session, Base.metadata.tables[table.__tablename__])


def test_the_same_photo_twice_is_kept_once_and_the_same_key_is_one(
    floor: Floor, quick: None
) -> None:
    key = floor.key()
    one = send(floor, files.jpeg(), key)
    assert send(floor, files.jpeg(), key) == one
    other = send(floor, files.jpeg(comment=b"another name, the same picture"))
    assert other.id != one.id
    assert other.sha256 == one.sha256
    assert (rows(floor, PhotoBlob), rows(floor, PhotoThumb)) == (1, 1)
    assert verify_book(floor.shop, floor.lead).faults == ()


def test_withdrawn_is_undone_and_twice_is_once(floor: Floor, quick: None) -> None:
    draft = floor.draft()
    info = send(floor, files.jpeg(), purpose="bench", inspection_id=draft, part_type_id=None)
    assert [p.id for p in pictures.photos_of(floor.shop, floor.tech, draft)] == [info.id]
    for _ in range(2):
        assert pictures.withdraw(floor.shop, floor.tech, info.id).withdrawn
    assert pictures.photos_of(floor.shop, floor.tech, draft, "nozzle") == ()
    for _ in range(2):
        assert not pictures.bring_back(floor.shop, floor.tech, info.id).withdrawn
    with floor.shop.database.read() as session:
        told = session.execute(text("SELECT action FROM audit WHERE subject LIKE 'photo %'"))
        assert [r[0] for r in told] == ["photo-taken-in", "photo-withdrawn", "photo-brought-back"]


def test_a_photo_of_a_signed_inspection_stays(lite: Floor, quick: None) -> None:
    draft = lite.draft()
    info = send(lite, files.jpeg(), purpose="bench", inspection_id=draft, part_type_id=None)
    lite.look_all(draft)
    drafts.add_reading(lite.shop, lite.tech, draft, "0.40 mm", key=lite.key())
    signing.sign(lite.shop, lite.tech, draft, key=lite.key())
    with pytest.raises(ConflictError, match="signed"):
        pictures.withdraw(lite.shop, lite.tech, info.id)
    with pytest.raises(ConflictError, match="signed"):
        send(lite, files.jpeg(), purpose="bench", inspection_id=draft, part_type_id=None)
    assert verify_book(lite.shop, lite.lead).faults == ()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"part": "arm"}, "not a part"),
        ({"purpose": "holiday"}, "not known"),
        ({"purpose": "bench", "part_type_id": None}, "no inspection"),
        ({"purpose": "bench", "inspection_id": 10**6}, "no inspection"),
        ({"part_type_id": None}, "not told"),
        ({"part_type_id": 10**6}, "no nozzle type"),
        ({"part": "shield"}, "no shield type"),
        ({"part_item_id": 10**6}, "no nozzle of number"),
        ({"key": "x"}, "carries no key"),
    ],
)
def test_a_photo_of_nothing_is_refused_before_it_is_read(
    lite: Floor, more: dict[str, object], words: str
) -> None:
    class Unread:
        def read(self, size: int, /) -> bytes:
            raise AssertionError("was read")

    given: dict[str, object] = {
        "key": lite.key(),
        "purpose": "new",
        "part": "nozzle",
        "part_type_id": nozzle(lite),
    }
    with pytest.raises(ServiceError, match=words):
        pictures.take_in(lite.shop, lite.tech, Unread(), **(given | more))  # type: ignore[arg-type]


def test_nobody_and_no_photo(lite: Floor, quick: None) -> None:
    nobody = Actor(None, "nobody", "technician")
    with pytest.raises(ServiceError, match="nobody is signed in"):
        pictures.withdraw(lite.shop, nobody, 1)
    for look in (pictures.shown, pictures.thumb, pictures.pixels, pictures.photo_info):
        with pytest.raises(NotFoundError, match="no photo 7"):
            look(lite.shop, lite.tech, 7)


def test_a_small_picture_is_made_again_and_is_never_carried(
    lite: Floor, tmp_path: Path, quick: None, session_folder: Path
) -> None:
    info = send(lite, files.jpeg(files.scene(960, 640)))
    media, small = pictures.thumb(lite.shop, lite.tech, info.id)
    assert Image.open(io.BytesIO(small)).size == (480, 320)
    export_book(lite.shop, lite.admin, tmp_path / "book.zip")
    address = f"sqlite:///{tmp_path / 'again.db'}"
    report = restore_book(address, tmp_path / "book.zip")
    assert report.verification.faults == ()
    assert report.rows["photo_blob"] == 1
    assert "photo_thumb" not in report.rows
    with lite.shop.database.write() as session:
        session.execute(text("DELETE FROM photo_thumb"))
    again = pictures.thumb(lite.shop, lite.tech, info.id)
    assert again == (media, small)
    assert rows(lite, PhotoThumb) == 1


def test_a_picture_changed_behind_the_book_is_named(lite: Floor, quick: None) -> None:
    info = send(lite, files.jpeg())
    with lite.shop.database.write() as session:
        session.execute(text("DROP TRIGGER photo_blob_no_update"))
        session.execute(text("UPDATE photo_blob SET content = CAST(content || x'00' AS BLOB)"))
        session.execute(
            text(
                "INSERT INTO hole_measure (key, part, feature, photo_ids, body, engine, refused, "
                "by, at, taken_out) VALUES ('made-up-key', 'nozzle', 'orifice', :ids, '{}', 'x', "
                "0, 1, '2031-01-01 00:00:00', 0)"
            ),
            {"ids": f"[{info.id}, 999]"},
        )
    told = str(verify_book(lite.shop, lite.lead).faults)
    assert "does not hash to its key" in told
    assert "photo 999, which is not there" in told


# -- pixels


def transposed(image: Image.Image, orientation: int) -> Image.Image:
    """Turn as EXIF 2.32 defines it, by Pillow's own names."""
    turn = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_270,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_90,
    }.get(orientation)
    return image if turn is None else image.transpose(turn)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_bit_for_bit(orientation: int) -> None:
    exif = files.exif(orientation)
    for data in (
        files.jpeg(exif=exif),
        files.jpeg(exif=exif, progressive=True, subsampling=0),
        files.jpeg(files.scene().convert("L"), exif=exif),
        files.jpeg(exif=exif, icc_profile=p3_profile()),
        files.jpeg(exif=exif, icc_profile=other_profile()),
        files.png(exif=exif),
    ):
        sent = Image.open(io.BytesIO(data))
        icc = sent.info.get("icc_profile")
        mode: Literal["RGB", "L"] = "L" if sent.mode == "L" else "RGB"
        wanted = transposed(to_srgb(sent.copy(), colours_of(icc, mode)), orientation)
        done = clean_picture(data)
        assert (done.width, done.height) == wanted.size
        assert np.array_equal(pixels_of(done.content, done.media), np.asarray(wanted))
        # What a browser shows is turned the same way: by what is in the file that is kept.
        shown = Image.open(io.BytesIO(done.content))
        way = shown.getexif().get(0x0112, 1)
        assert transposed(shown, way).size == wanted.size
        assert clean_picture(done.content).content == done.content


def other_profile() -> bytes:
    """P3 primaries with a plain gamma of 1.8: neither of those that are kept."""
    curve = struct.pack(
        ">4i", *(round(v * 65536) for v in (1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    )
    plain = struct.pack(">4i", 65536, 0, 0, 0)
    steep, flat = struct.pack(">i", round(2.4 * 65536)), struct.pack(">i", round(1.8 * 65536))
    return p3_profile().replace(steep + curve, flat + plain)


def test_colours_are_brought_to_srgb() -> None:
    """P3's pure green is out of sRGB; a grey stays grey; the curve of 1.8 makes 128 darker."""
    patch = Image.new("RGB", (32, 32), (128, 128, 128))
    patch.paste((0, 255, 0), (0, 0, 32, 16))
    for icc, media, grey in (
        (None, "image/jpeg", 128),
        (p3_profile(), "image/jpeg", 128),
        (other_profile(), "image/png", 144),
    ):
        data = files.jpeg(
            patch, quality=100, subsampling=0, **({"icc_profile": icc} if icc else {})
        )
        done = clean_picture(data)
        assert done.media == media
        below = pixels_of(done.content, done.media)[24, 16]
        assert np.abs(below.astype(int) - grey).max() <= 2
    dull = patch.convert("L")
    assert clean_picture(files.jpeg(dull, icc_profile=p3_profile())).media == "image/jpeg"
    done = clean_picture(files.jpeg(dull, icc_profile=other_profile()))
    assert abs(int(pixels_of(done.content, done.media)[24, 16, 0]) - 144) <= 3
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    done = clean_picture(files.jpeg(patch, icc_profile=srgb))
    assert done.media == "image/jpeg"
    assert b"ICC_PROFILE" not in done.content


def test_our_own_profile_is_what_it_says() -> None:
    """Primaries adapted to D50 by Bradford (ICC.1:2022, annex E), reckoned again."""
    corners = [(0.680, 0.320), (0.265, 0.690), (0.150, 0.060)]
    columns = np.array([(x / y, 1, (1 - x - y) / y) for x, y in corners]).T
    white = np.array([0.3127 / 0.3290, 1, (1 - 0.3127 - 0.3290) / 0.3290])
    matrix = columns * np.linalg.solve(columns, white)
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    d50 = np.array([0.9642, 1.0, 0.8249])
    adapt = np.linalg.inv(bradford) @ np.diag((bradford @ d50) / (bradford @ white)) @ bradford
    assert np.abs((adapt @ matrix).T - np.array(_P3)).max() < 2e-4
    assert colours_of(p3_profile(), "RGB").kind == "p3"


def test_sixteen_bits_stay_sixteen() -> None:
    rng = np.random.default_rng(3)
    shapes: tuple[tuple[int, ...], ...] = ((30, 40), (30, 40, 3), (30, 40, 4))
    for shape in shapes:
        deep = rng.integers(0, 65536, shape, dtype=np.uint16)
        deep[0, 0] = 65535
        if len(shape) == 3 and shape[2] == 4:
            deep[..., 3] = 65535
        _, packed = cv2.imencode(".png", deep)
        done = clean_picture(packed.tobytes())
        found = pixels_of(done.content, done.media)
        wanted = deep if deep.ndim == 2 else deep[..., 2::-1]
        assert done.bits == 16
        assert found.dtype == np.uint16
        assert np.array_equal(found, wanted)
        small = np.asarray(Image.open(io.BytesIO(thumb_of(np.full((40, 40), 65535, np.uint16))[0])))
        assert small.min() >= 254


def test_a_heic_is_what_it_shows() -> None:
    done = clean_picture(files.HEIC)
    found = pixels_of(done.content, done.media).astype(int)
    y, x = np.mgrid[:48, :64]
    wanted = np.stack([x * 4, y * 5, (x + y) * 2], axis=-1)
    assert np.abs(found - wanted).mean() < 4
    assert done.media == "image/png"


def test_a_part_of_the_data_missing_is_not_filled_with_grey() -> None:
    data = files.jpeg(files.scene(320, 240))
    with pytest.raises(PictureRefused, match="missing"):
        clean_picture(data[: len(data) // 2] + b"\xff\xd9")


def test_pixels_between_processes(tmp_path: Path) -> None:
    path = tmp_path / "pixels"
    for pixels in (
        np.arange(600, dtype=np.uint8).reshape(20, 30),
        np.arange(1800, dtype=np.uint16).reshape(20, 30, 3),
    ):
        write_pixels(path, pixels)
        found = read_pixels(path)
        assert found.dtype == pixels.dtype
        assert np.array_equal(found, pixels)
    good = path.read_bytes()
    for bad in (
        good[:-1],
        good + b"\0",
        good[:10],
        b"X" + good[1:],
        good[:8] + struct.pack("<IIII", 2**31, 2**31, 3, 16) + good[24:],
    ):
        path.write_bytes(bad)
        with pytest.raises(ValueError, match="no pixels"):
            read_pixels(path)


def test_a_file_for_the_command_line(tmp_path: Path) -> None:
    path = tmp_path / "a photo.png"
    path.write_bytes(files.png())
    assert np.array_equal(intake.decode_file(path), np.asarray(files.scene()))
    with pytest.raises(ServiceError, match="can't be read"):
        intake.decode_file(tmp_path / "none.jpg")


def test_on_postgres_too(tmp_path: Path, session_folder: Path) -> None:
    with open_floor("postgres", tmp_path, session_folder) as floor:
        info = send(floor, files.jpeg())
        assert pictures.pixels(floor.shop, floor.tech, info.id).shape == (64, 96, 3)
