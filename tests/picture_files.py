"""Photos and hostile files for tests, made here byte by byte; none is kept in the project."""

from __future__ import annotations

import base64
import functools
import io
import struct
import zlib
from collections.abc import Iterator

import numpy as np
from PIL import Image

from pitwise.services.photofile.colour import p3_profile

SECRET = b"SECRET-59.3293N-18.0686E"
_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def scene(width: int = 96, height: int = 64) -> Image.Image:
    """A small picture whose corners all differ."""
    y, x = np.mgrid[:height, :width]
    rgb = np.stack([x * 255 // width, y * 255 // height, (x * 7 + y * 3) % 256], axis=-1)
    return Image.fromarray(rgb.astype(np.uint8))


def saved(image: Image.Image, form: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, form, **options)
    return buffer.getvalue()


def exif(orientation: int = 1) -> Image.Exif:
    """EXIF with a maker, a place and a picture's turn."""
    out = Image.Exif()
    out[0x010F] = SECRET.decode()
    out[0x0112] = orientation
    out.get_ifd(0x8825)[1] = "N"
    out.get_ifd(0x8825)[2] = (59.0, 19.0, 45.0)
    return out


def jpeg(image: Image.Image | None = None, **options: object) -> bytes:
    return saved(image or scene(), "JPEG", **({"quality": 92} | options))


def png(image: Image.Image | None = None, **options: object) -> bytes:
    return saved(image or scene(), "PNG", **options)


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def raw_png(
    width: int, height: int, data: bytes, *more: bytes, bits: int = 8, colour: int = 0
) -> bytes:
    """A PNG of any header, with any compressed data, and chunks put before the data."""
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return b"".join(
        [_SIGNATURE, chunk(b"IHDR", header), *more, chunk(b"IDAT", data), chunk(b"IEND", b"")]
    )


def grey_png(width: int, height: int, *more: bytes) -> bytes:
    return raw_png(width, height, zlib.compress((b"\0" + b"\x80" * width) * height), *more)


@functools.cache
def zeros(megabytes: int) -> bytes:
    """So many megabytes of nothing, compressed."""
    pack = zlib.compressobj(9)
    block = b"\0" * (1 << 20)
    return b"".join([*(pack.compress(block) for _ in range(megabytes)), pack.flush()])


def segment(mark: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, mark, len(body) + 2) + body


def with_segments(data: bytes, *segments: bytes) -> bytes:
    """A JPEG with segments put right behind its start."""
    return data[:2] + b"".join(segments) + data[2:]


def tiff(entries: int, *, next_at: int, first_at: int = 8) -> bytes:
    """An EXIF block whose directory leads wherever it is told to."""
    rows = b"".join(struct.pack("<HHII", 0x8769, 4, 1, first_at) for _ in range(entries))
    return (
        b"Exif\0\0II*\0" + struct.pack("<IH", first_at, entries) + rows + struct.pack("<I", next_at)
    )


def sized(data: bytes, width: int, height: int) -> bytes:
    """A JPEG that says it is of another size."""
    at = data.index(b"\xff\xc0")
    return data[: at + 5] + struct.pack(">HH", height, width) + data[at + 9 :]


def other_frame(data: bytes, mark: int) -> bytes:
    at = data.index(b"\xff\xc0")
    return data[: at + 1] + bytes([mark]) + data[at + 2 :]


def many_scans(count: int) -> bytes:
    """A progressive JPEG whose last scan comes again and again."""
    data = jpeg(progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:-2] + data[last:-2] * count + b"\xff\xd9"


def animated_png() -> bytes:
    return saved(scene(), "PNG", save_all=True, append_images=[scene().rotate(180)], duration=100)


def two_pictures() -> bytes:
    """A JPEG with a second one behind it, as phones write."""
    return saved(scene(), "MPO", save_all=True, append_images=[scene().rotate(180)])


# Made once with libheif and x265: 64 × 48, R = 4x, G = 5y, B = 2(x + y), with EXIF and XMP.
HEIC = base64.b64decode(
    "AAAAHGZ0eXBoZWljAAAAAG1pZjFoZWljbWlhZgAAAghtZXRhAAAAAAAAACFoZGxyAAAAAAAAAABwaWN0AAAAAAAA"
    "AAAAAAAAAAAAAEZpbG9jAAAAAERAAAMAAQAAAAACLAABAAAAAAAAAVgAAgAAAAADhAABAAAAAAAAAH4AAwAAAAAE"
    "AgABAAAAAAAAABAAAABiaWluZgAAAAAAAwAAABVpbmZlAgAAAAABAABodmMxAAAAABVpbmZlAgAAAQACAABFeGlm"
    "AAAAACppbmZlAgAAAQADAABtaW1lAGFwcGxpY2F0aW9uL3JkZit4bWwAAAAAAA5waXRtAAAAAAABAAAA/WlwcnAA"
    "AADdaXBjbwAAAHZodmNDAQNwAAAAkAAAAAAAHvAA/P34+AAADwNgAAEAGEABDAH//wNwAAADAJAAAAMAAAMAHroC"
    "QGEAAQAqQgEBA3AAAAMAkAAAAwAAAwAeoCCBBZbq5Ka5uAhoMCAAAAMDIAAAAwAhYgABAAZEAcFzwIkAAAATY29s"
    "cm5jbHgAAQANAAaAAAAAFGlzcGUAAAAAAAAAQAAAAEAAAAAoY2xhcAAAAEAAAAABAAAAMAAAAAEAAAAAAAAAAv//"
    "//AAAAACAAAAEHBpeGkAAAAAAwgICAAAABhpcG1hAAAAAAAAAAEAAQWBAgMFhAAAAChpcmVmAAAAAAAAAA5jZHNj"
    "AAIAAQABAAAADmNkc2MAAwABAAEAAAHubWRhdAAAAVQoAa8E+HF14XtbR/7zTPUega/e/lwHqf363zFzA1EfBWYo"
    "nKh/6diz+K+fPpo+1v9mFy8zKuaJuSllrsB1y6C35Dgae4otprJ6mKjy22FGyWKJuE8aVPC7/wFv6+ZdViYag/RW"
    "0VdoJvD9+lT1B0PQ2C0D1EruqTfN6SInTwFjgePRVPq/MbQXYa841KzxyzsOmDetnEaxfIeqsyRK/DAwKgVb5759"
    "7qu4ZzPOk3XwU4u0RjOxboDxiDwad7xbrxn2JnjP/5ke7Tjal0ijz/CraH7j1vG8ogcEFPUWugRq9nH9q1cI6rzG"
    "GwWpQQqN7XKaHccw4sbr0iDnI4rQDDrzFhde/JWih9wNSCZ/e2eMe4sBKJD8JwSWGfzv55dxQ3JGDZBBJHlXYDrZ"
    "kWVBtgRIk7tB1QzqrCPNDHSoZwm4fbTEmctmDTkhsjIu6XE2GEQmIvzAAAAABkV4aWYAAE1NACoAAAAIAAMBDwAC"
    "AAAADAAAADIBEgADAAAAAQAGAACIJQAEAAAAAQAAAD4AAAAAU0VDUkVUTUFLRVIAAAIAAQACAAAAAk4AAAAAAgAF"
    "AAAAAwAAAFwAAAAAAAAAOwAAAAEAAAAUAAAAAQAAAAAAAAABPHg+U0VDUkVUWE1QPC94Pg=="
)
# The same with a second picture.
HEIC_TWO = base64.b64decode(
    "AAAAHGZ0eXBoZWljAAAAAG1pZjFoZWljbWlhZgAAAaxtZXRhAAAAAAAAACFoZGxyAAAAAAAAAABwaWN0AAAAAAAA"
    "AAAAAAAAAAAAADRpbG9jAAAAAERAAAIAAQAAAAAB0AABAAAAAAAAAGoAAgAAAAACOgABAAAAAAAAAG8AAAA4aWlu"
    "ZgAAAAAAAgAAABVpbmZlAgAAAAABAABodmMxAAAAABVpbmZlAgAAAAACAABodmMxAAAAAA5waXRtAAAAAAABAAAB"
    "BWlwcnAAAADdaXBjbwAAAHZodmNDAQNwAAAAkAAAAAAAHvAA/P34+AAADwNgAAEAGEABDAH//wNwAAADAJAAAAMA"
    "AAMAHroCQGEAAQAqQgEBA3AAAAMAkAAAAwAAAwAeoCCBBZbq5Ka5uAhoMCAAAAMDIAAAAwAhYgABAAZEAcFzwIkA"
    "AAATY29scm5jbHgAAQANAAaAAAAAFGlzcGUAAAAAAAAAQAAAAEAAAAAoY2xhcAAAAEAAAAABAAAAMAAAAAEAAAAA"
    "AAAAAv////AAAAACAAAAEHBpeGkAAAAAAwgICAAAACBpcG1hAAAAAAAAAAIAAQWBAgMFhAACBYECAwWEAAAA4W1k"
    "YXQAAABmKAGvE4D1RT4UnZuOyfY3NFaE7FKukBrkO1GqHZt78vzw6hBlGqK/yTrsfWvI35Lalx7EqZyivccfK3vT"
    "2gQ58GdhF0JFoYrKpY1xpdhgIf+nVbIRsnq+Qu91n/Bvx5RWOEzK187uAAAAaygBrxOA9UVOV16VHZh7G46NoTsU"
    "q2Sa5HdRqh2aN/P+v4PFR2sCzkp78l2zn1ryKsSd46+jMXGbk/jteVcj1hELr/YgApOm9eha6OvqzDyjWLtqZAOC"
    "QyEwdZx6IVIAECoWZnMO8bI04CzQ"
)


def huge_heic() -> bytes:
    """A HEIC that says it is of 60,000 × 60,000 pixels."""
    at = HEIC.index(b"ispe") + 8
    return HEIC[:at] + struct.pack(">II", 60_000, 60_000) + HEIC[at + 8 :]


def webp() -> bytes:
    return saved(scene(), "WEBP")


@functools.cache
def taken() -> tuple[tuple[str, bytes], ...]:
    return tuple(_taken())


def _taken() -> Iterator[tuple[str, bytes]]:
    """Odd files that are taken, clean of all that is odd."""
    plain = jpeg()
    hidden = b"<script>alert(1)</script>" + SECRET
    yield "plain.jpg", plain
    yield "wrong-ending.png", plain
    yield "exif.jpg", jpeg(exif=exif(6), comment=SECRET)
    yield "progressive.jpg", jpeg(progressive=True, exif=exif(3))
    yield "grey.jpg", jpeg(scene().convert("L"))
    yield "p3.jpg", jpeg(icc_profile=p3_profile(), exif=exif(8))
    yield "zip-behind.jpg", plain + b"PK\x03\x04" + SECRET
    yield "pdf-behind.jpg", plain + b"%PDF-1.7 " + SECRET
    yield "html-behind.jpg", plain + b"<html>" + hidden
    yield "html-inside.jpg", with_segments(plain, segment(0xFE, hidden))
    yield "js-inside.jpg", with_segments(plain, segment(0xE5, b"*/=1;" + hidden))
    yield "xmp.jpg", jpeg(xmp=b"<x:xmpmeta>" + SECRET + b"</x:xmpmeta>")
    yield "iptc.jpg", with_segments(plain, segment(0xED, b"Photoshop 3.0\0" + SECRET))
    yield "jfif-thumbnail.jpg", with_segments(plain, segment(0xE0, b"JFXX\0\x13\x02\x02" + SECRET))
    yield "two.jpg", two_pictures()
    yield "exif-circle.jpg", with_segments(plain, segment(0xE1, tiff(3, next_at=8)))
    yield (
        "exif-huge-count.jpg",
        with_segments(plain, segment(0xE1, b"Exif\0\0II*\0" + struct.pack("<IH", 8, 65535))),
    )
    yield (
        "exif-nowhere.jpg",
        with_segments(plain, segment(0xE1, b"Exif\0\0MM\0*" + struct.pack(">I", 0xFFFFFFF0))),
    )
    yield "comments.jpg", with_segments(plain, *[segment(0xFE, b"x" * 65_000 + SECRET)] * 250)
    yield "plain.png", png()
    yield "turned.png", png(exif=exif(5))
    yield "palette.png", png(scene().quantize(16))
    yield "one-bit.png", png(scene().convert("1"))
    yield "opaque.png", png(scene().convert("RGBA"))
    yield "grey-alpha.png", png(scene().convert("L").convert("LA"))
    yield "deep.png", png(Image.fromarray(np.arange(64 * 64, dtype=np.uint16).reshape(64, 64) * 16))
    yield "behind.png", png() + b"PK\x03\x04" + hidden
    yield (
        "text-bomb.png",
        grey_png(40, 40, chunk(b"zTXt", b"a\0\0" + zeros(300)), chunk(b"tEXt", b"a\0" + SECRET)),
    )
    yield "text-bomb-2.png", grey_png(40, 40, chunk(b"iTXt", b"a\0\x01\0\0\0" + zeros(300)))
    yield "exif-bomb.png", grey_png(40, 40, chunk(b"eXIf", tiff(3000, next_at=8)[6:]))
    yield "heic.heic", HEIC
    yield "heic.jpg", HEIC


@functools.cache
def refused() -> tuple[tuple[str, bytes, str], ...]:
    return tuple(_refused())


def _refused() -> Iterator[tuple[str, bytes, str]]:
    """Files that are refused, with a word of the reason."""
    plain, one, tall = jpeg(), Image.new("RGB", (1, 1)), Image.new("L", (1000, 20))
    yield "strip.png", raw_png(60_000, 2, zlib.compress(b"\0" * 120_002)), "60000 × 2"
    yield "square.png", raw_png(50_000, 50_000, zeros(2)), "50000 × 50000"
    yield "largest.png", raw_png(2**31 - 1, 2**31 - 1, b""), "megapixels"
    yield "no-size.png", raw_png(0, 0, b""), "no pixels"
    yield "short-data.png", raw_png(7000, 7000, zlib.compress(b"\0" * 100)), "damaged"
    yield "icc-bomb.png", grey_png(40, 40, chunk(b"iCCP", b"a\0\0" + zeros(300))), "profile"
    yield (
        "icc-noise.png",
        grey_png(40, 40, chunk(b"iCCP", b"a\0\0" + zlib.compress(bytes(range(256)) * 4))),
        "profile",
    )
    yield "animated.png", animated_png(), "animated"
    yield "wrong-sum.png", png()[:-6] + b"\0\0" + png()[-4:], ""
    yield "no-data.png", _SIGNATURE + chunk(b"IEND", b""), "damaged"
    yield "strange-header.png", raw_png(40, 40, b"", bits=7), "header"
    yield "own-tones.png", grey_png(40, 40, chunk(b"gAMA", struct.pack(">I", 100_000))), "tone"
    yield "hdr.png", grey_png(40, 40, chunk(b"cICP", b"\x09\x10\x00\x01")), "cICP"
    yield "cut-out.png", png(Image.new("RGBA", (40, 40), (9, 9, 9, 100))), "see-through"
    yield "one.png", png(one), "1 × 1"
    yield "one.jpg", jpeg(one), "1 × 1"
    yield "strip.jpg", jpeg(tall), "strip"
    yield "huge.jpg", sized(plain, 65_535, 65_535), "65535 × 65535"
    yield "larger-than-it-is.jpg", sized(plain, 6000, 6000), "damaged"
    yield "no-height.jpg", sized(plain, 96, 0), "no pixels"
    yield "arithmetic.jpg", other_frame(plain, 0xC9), "arithmetic"
    yield "lossless.jpg", other_frame(plain, 0xC3), "lossless"
    yield (
        "two-frames.jpg",
        with_segments(plain, segment(0xC0, b"\x08\0\x40\0\x60\x01\x01\x11\0")),
        "",
    )
    yield "many-scans.jpg", many_scans(300), "passes"
    yield "many-segments.jpg", with_segments(plain, *[segment(0xFE, b"")] * 25_000), "segments"
    yield "long-table.jpg", with_segments(plain, segment(0xDB, b"\0" * 80)), "wrong length"
    yield "cmyk.jpg", jpeg(scene().convert("CMYK")), "CMYK"
    yield "icc-noise.jpg", jpeg(icc_profile=b"not a profile" * 30), "profile"
    yield "icc-of-grey.jpg", jpeg(icc_profile=p3_profile().replace(b"RGB ", b"GRAY", 1)), "profile"
    yield "only-start.jpg", b"\xff\xd8\xff\xe0", "breaks off"
    yield "only-end.jpg", b"\xff\xd8\xff\xd9", "no picture"
    yield "noise.jpg", b"\xff\xd8\xff" + bytes(range(256)) * 200, ""
    yield "a.gif", saved(scene(), "GIF"), "GIF"
    yield "a.tif", saved(scene(), "TIFF"), "TIFF"
    yield "a.webp", webp(), "WebP"
    yield "a.bmp", saved(scene(), "BMP"), "BMP"
    yield "a.ico", saved(scene(), "ICO"), "icon"
    yield "a.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "SVG"
    yield "a.xml", b"<?xml version='1.0'?><svg/>", "SVG"
    yield "a.pdf", b"%PDF-1.7", "PDF"
    yield "a.zip", b"PK\x03\x04" + b"\0" * 30, "zip"
    yield "a.html", b"<html><script>", "no photo"
    yield "a.avif", saved(scene(), "AVIF"), "format"
    yield "empty.jpg", b"", "empty"
    yield "two.heic", HEIC_TWO, "2 pictures"
    yield "huge.heic", huge_heic(), ""
    yield "head-only.heic", HEIC[:24], ""
    yield "box-too-long.heic", b"\xff\xff\xff\xff" + HEIC[4:], "box"
    yield "box-too-short.heic", b"\0\0\0\x04" + HEIC[4:], "box"
    yield "film.heic", HEIC.replace(b"ftypheic", b"ftyphevc", 1), "film"
    yield "film-2.heic", HEIC + struct.pack(">I4s", 8, b"moov"), "film"
    yield "boxes.heic", HEIC + struct.pack(">I4s", 8, b"free") * 2000, "boxes"


@functools.cache
def cut() -> tuple[tuple[str, bytes], ...]:
    return tuple(_cut())


def _cut() -> Iterator[tuple[str, bytes]]:
    """Files that break off, at many lengths."""
    for name, data in (("jpg", jpeg()), ("png", png()), ("heic", HEIC)):
        for n in range(1, 16):
            yield f"cut-{n:02}.{name}", data[: len(data) * n // 16]
        yield f"cut-end.{name}", data[:-1]


def fuzzed(count: int, seed: int = 5) -> Iterator[tuple[str, bytes]]:
    """Good files with bytes changed, taken out and doubled by chance."""
    rng = np.random.default_rng(seed)
    good = [jpeg(exif=exif(6)), jpeg(progressive=True), png(), png(scene().quantize(8)), HEIC]
    good.append(jpeg(icc_profile=p3_profile()))
    for n in range(count):
        data = bytearray(good[n % len(good)])
        for _ in range(int(rng.integers(1, 6))):
            at = int(rng.integers(0, len(data)))
            what = int(rng.integers(0, 4))
            if what == 0:
                data[at] = int(rng.integers(0, 256))
            elif what == 1:
                del data[at : at + int(rng.integers(1, 40))]
            elif what == 2:
                data[at:at] = data[at : at + int(rng.integers(1, 40))]
            else:
                data[at : at + 4] = rng.integers(0, 256, 4, dtype=np.uint8).tobytes()
        yield f"fuzz-{n:03}.bin", bytes(data)
