"""Codes as on labels, drawn from their standards, and pictures of them as a phone takes them.

Code 128 and Data Matrix are drawn here and not by the decoder's own library, so that a reading is
a check by a second hand; QR codes come from another library. Source: iso-iec-15417 table 1 and
iso-iec-16022 5.2, annex E and F, both from memory and confirmed by the readings.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import segno
from PIL import Image, ImageFilter

Picture = np.ndarray[Any, np.dtype[np.float64]]

_WIDTHS: Final = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 "
    "122132 122231 113222 123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 "
    "321221 312212 322112 322211 212123 212321 232121 111323 131123 131321 112313 132113 132311 "
    "211313 231113 231311 112133 112331 132131 113123 113321 133121 313121 211331 231131 213113 "
    "213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224 111422 "
    "121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 "
    "241112 134111 111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 "
    "412121 111143 111341 131141 114113 114311 411113 411311 113141 114131 311141 411131 211412 "
    "211214 211232 2331112"
)
_CODE_128: Final = _WIDTHS.split()
_START_B: Final = 104
_STOP: Final = 106


def code_128(text: str) -> Picture:
    """Draw a text in code set B, one row high, 1 is black; quiet zones included."""
    values = [_START_B, *(ord(sign) - 32 for sign in text)]
    check = (values[0] + sum(k * v for k, v in enumerate(values[1:], 1))) % 103
    widths = "".join(_CODE_128[value] for value in (*values, check, _STOP))
    bars = [k % 2 == 0 for k, width in enumerate(widths) for _ in range(int(width))]
    return np.tile(np.pad(np.array(bars, dtype=np.float64), 12), (1, 1))


def _times(one: int, other: int) -> int:
    """Multiply in the field of 256 elements with the polynomial 301."""
    product = 0
    while other:
        if other & 1:
            product ^= one
        one <<= 1
        if one & 256:
            one ^= 301
        other >>= 1
    return product


def _check_words(data: list[int], count: int) -> list[int]:
    generator = [1]
    root = 1
    for _ in range(count):
        root = _times(root, 2)
        generator = [
            (generator[k] if k < len(generator) else 0)
            ^ (_times(generator[k - 1], root) if k else 0)
            for k in range(len(generator) + 1)
        ]
    rest = [*data, *([0] * count)]
    for place in range(len(data)):
        factor = rest[place]
        for k, coefficient in enumerate(generator):
            rest[place + k] ^= _times(coefficient, factor)
    return rest[len(data) :]


_SIZES: Final = ((10, 3, 5), (12, 5, 7), (14, 8, 10), (16, 12, 12), (18, 18, 14), (20, 22, 18))
_UTAH: Final = ((-2, -2), (-2, -1), (-1, -2), (-1, -1), (-1, 0), (0, -2), (0, -1), (0, 0))


def _corner(kind: int, n: int) -> list[tuple[int, int]]:
    """Cells of a word at a corner: row and column counted from 0, negative from the end."""
    cells = [
        [(-1, 0), (-1, 1), (-1, 2), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)],
        [(-3, 0), (-2, 0), (-1, 0), (0, -4), (0, -3), (0, -2), (0, -1), (1, -1)],
        [(-3, 0), (-2, 0), (-1, 0), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)],
        [(-1, 0), (-1, -1), (0, -3), (0, -2), (0, -1), (1, -3), (1, -2), (1, -1)],
    ][kind]
    return [(row % n, column % n) for row, column in cells]


def _placed(words: list[int], n: int) -> Picture:  # noqa: C901
    grid = np.full((n, n), -1.0)
    waiting = iter(words)

    def put(cells: list[tuple[int, int]]) -> None:
        word = next(waiting)
        for bit, (row, column) in enumerate(cells):
            grid[row, column] = (word >> (7 - bit)) & 1

    def utah(row: int, column: int) -> None:
        cells = []
        for down, right in _UTAH:
            r, c = row + down, column + right
            if r < 0:
                r, c = r + n, c + 4 - ((n + 4) % 8)
            if c < 0:
                r, c = r + 4 - ((n + 4) % 8), c + n
            cells.append((r, c))
        put(cells)

    row, column = 4, 0
    while row < n or column < n:
        if (row, column) == (n, 0):
            put(_corner(0, n))
        if (row, column) == (n - 2, 0) and n % 4:
            put(_corner(1, n))
        if (row, column) == (n - 2, 0) and n % 8 == 4:
            put(_corner(2, n))
        if (row, column) == (n + 4, 2) and not n % 8:
            put(_corner(3, n))
        while row >= 0 and column < n:
            if row < n and column >= 0 and grid[row, column] < 0:
                utah(row, column)
            row, column = row - 2, column + 2
        row, column = row + 1, column + 3
        while row < n and column >= 0:
            if row >= 0 and column < n and grid[row, column] < 0:
                utah(row, column)
            row, column = row + 2, column - 2
        row, column = row + 3, column + 1
    if grid[n - 1, n - 1] < 0:
        grid[n - 2 :, n - 2 :] = np.eye(2)
    return grid


def data_matrix(text: str) -> Picture:
    """Draw a text in ASCII encodation, pairs of digits in one word, 1 is black."""
    words = []
    place = 0
    while place < len(text):
        if text[place : place + 2].isdigit() and len(text[place : place + 2]) == 2:
            words.append(130 + int(text[place : place + 2]))
            place += 2
        else:
            words.append(ord(text[place]) + 1)
            place += 1
    size, room, checks = next(held for held in _SIZES if held[1] >= len(words))
    if len(words) < room:
        words.append(129)
    while len(words) < room:
        pad = 129 + (149 * (len(words) + 1)) % 253 + 1
        words.append(pad if pad <= 254 else pad - 254)
    whole = np.zeros((size, size))
    whole[1:-1, 1:-1] = _placed([*words, *_check_words(words, checks)], size - 2)
    whole[:, 0] = 1.0
    whole[-1, :] = 1.0
    whole[0, :] = np.arange(size) % 2 == 0
    whole[:, -1] = np.arange(size) % 2 == 1
    return np.pad(whole, 3)


def qr_code(text: str) -> Picture:
    """Draw a QR code of medium error correction, 1 is black."""
    matrix = [list(row) for row in segno.make(text, error="m", micro=False).matrix]
    return np.pad(np.array(matrix, dtype=np.float64), 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difficulty:
    """How hard a picture is.

    Attributes:
        module_px: width of the narrowest bar or cell [px].
        blur_px: standard deviation of the blur [px].
        tilt_deg: how far the label leans away from the camera [deg].
        turn_deg: how far it is turned in the picture [deg].
        noise: standard deviation of the noise, of 255.
        contrast: share of black to white that is left.
        shade: how much darker one side is.
    """

    module_px: float
    blur_px: float
    tilt_deg: float
    turn_deg: float
    noise: float
    contrast: float
    shade: float


def drawn_difficulty(draw: np.random.Generator, *, flat: bool) -> Difficulty:
    """Draw a difficulty from the stated range; ``flat`` is for codes of bars."""
    module = float(draw.uniform(2.5, 5.0))
    return Difficulty(
        module_px=module,
        blur_px=float(draw.uniform(0.0, 0.4)) * module,
        tilt_deg=float(draw.uniform(0.0, 30.0)),
        turn_deg=float(draw.uniform(-12.0, 12.0) if flat else draw.uniform(0.0, 360.0)),
        noise=float(draw.uniform(0.0, 14.0)),
        contrast=float(draw.uniform(0.35, 1.0)),
        shade=float(draw.uniform(0.0, 0.4)),
    )


def photographed(code: Picture, how: Difficulty, draw: np.random.Generator) -> bytes:
    """Give a JPEG of a code as a phone would take it."""
    tall = max(1, round(36 / code.shape[0])) if code.shape[0] == 1 else 1
    big = np.kron(np.repeat(code, tall, axis=0), np.ones((8, 8)))
    label = Image.fromarray(((1.0 - big) * 255).astype(np.uint8))
    scale = how.module_px / 8
    label = label.resize(
        (max(8, round(label.width * scale)), max(8, round(label.height * scale))),
        Image.Resampling.LANCZOS,
    )
    side = int(1.5 * max(label.size)) + 40
    page = Image.new("L", (side, side), 225)
    page.paste(label, ((side - label.width) // 2, (side - label.height) // 2))
    page = page.rotate(how.turn_deg, Image.Resampling.BICUBIC, fillcolor=225)
    lean = 0.5 * np.sin(np.radians(how.tilt_deg)) * 0.35
    page = page.transform(
        (side, side),
        Image.Transform.PERSPECTIVE,
        _perspective(side, lean, float(np.cos(np.radians(how.tilt_deg)))),
        Image.Resampling.BICUBIC,
        fillcolor=225,
    )
    page = page.filter(ImageFilter.GaussianBlur(how.blur_px))
    light = np.asarray(page, dtype=np.float64)
    light = 128.0 + (light - 128.0) * how.contrast
    light *= 1.0 - how.shade * np.linspace(0.0, 1.0, side)[None, :]
    light += draw.normal(0.0, how.noise, light.shape) if how.noise else 0.0
    taken = Image.fromarray(np.clip(light, 0, 255).astype(np.uint8))
    buffer = io.BytesIO()
    taken.save(buffer, "JPEG", quality=80)
    return buffer.getvalue()


def _perspective(side: int, lean: float, squeeze: float) -> list[float]:
    """Coefficients of a label that leans back: narrower above, and lower."""
    half = side / 2
    height = half * squeeze
    from_corners = [(0, 0), (side, 0), (side, side), (0, side)]
    to_corners = [
        (lean * side, half - height),
        (side - lean * side, half - height),
        (side, half + height),
        (0, half + height),
    ]
    rows, right = [], []
    for (x, y), (u, v) in zip(to_corners, from_corners, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
        right += [u, v]
    solved: list[float] = np.linalg.solve(np.array(rows, float), np.array(right, float)).tolist()
    return solved


def as_text(picture: bytes) -> str:
    """Write a picture so that a page can take it."""
    return base64.b64encode(picture).decode()


READ = """async ({ base, pictures }) => {
  const { decode } = await import(`${base}/scan.js`);
  const out = [];
  for (const text of pictures) {
    const bytes = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
    const picture = await createImageBitmap(new Blob([bytes], { type: "image/jpeg" }));
    const canvas = new OffscreenCanvas(picture.width, picture.height);
    const draw = canvas.getContext("2d");
    draw.drawImage(picture, 0, 0);
    const start = performance.now();
    const codes = await decode(draw.getImageData(0, 0, picture.width, picture.height));
    out.push({ codes: codes.map((one) => one.text), ms: performance.now() - start });
  }
  return out;
}"""
