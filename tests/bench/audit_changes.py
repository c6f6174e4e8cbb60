"""What people do to a picture before it is shown a second time: the changes that re-use must be found under."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

Change = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def crop(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    share = rng.uniform(0.6, 0.8)
    rows, columns = (int(side * share) for side in picture.shape[:2])
    y, x = (
        int(rng.integers(0, have - want + 1))
        for have, want in zip(picture.shape, (rows, columns), strict=False)
    )
    return picture[y : y + rows, x : x + columns].copy()


def turn(picture: np.ndarray, rng: np.random.Generator, degrees: float | None = None) -> np.ndarray:
    rows, columns = picture.shape[:2]
    angle = rng.uniform(-180, 180) if degrees is None else degrees
    matrix = cv2.getRotationMatrix2D((columns / 2, rows / 2), angle, 1)
    return cv2.warpAffine(picture, matrix, (columns, rows), flags=cv2.INTER_CUBIC)


def quarter_turns(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.ascontiguousarray(np.rot90(picture, int(rng.integers(1, 4))))


def mirror(picture: np.ndarray, _: np.random.Generator) -> np.ndarray:
    return picture[:, ::-1].copy()


def upside_down(picture: np.ndarray, _: np.random.Generator) -> np.ndarray:
    return picture[::-1].copy()


def resize(picture: np.ndarray, rng: np.random.Generator, factor: float | None = None) -> np.ndarray:
    factor = factor or rng.uniform(0.45, 1.7)
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return cv2.resize(picture, None, fx=factor, fy=factor, interpolation=how)


def brightness(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.clip(picture * rng.uniform(0.7, 1.2) + rng.uniform(-15, 30), 0, 255).astype(np.uint8)


def gamma(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.clip((picture / 255.0) ** rng.choice([0.55, 0.7, 1.4, 1.8]) * 255, 0, 255).astype(np.uint8)


def jpeg(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 60))]
    return cv2.imdecode(cv2.imencode(".jpg", picture, quality)[1], cv2.IMREAD_UNCHANGED)


def grey(picture: np.ndarray, _: np.random.Generator) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture


def label(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A bar in a white box over the lower right corner, and a number over the upper left one."""
    out = picture.copy()
    rows, columns = out.shape[:2]
    x, y = int(columns * 0.62), int(rows * 0.86)
    cv2.rectangle(out, (x, y), (columns - 10, rows - 10), (255,) * 3, -1)
    cv2.line(out, (x + 30, rows - 40), (columns - 60, rows - 40), (0,) * 3, 6)
    face = cv2.FONT_HERSHEY_SIMPLEX
    cv2.putText(out, f"{rng.integers(100, 900)} um", (x + 40, rows - 60), face, 1.6, (0,) * 3, 3)
    cv2.putText(out, f"No. {rng.integers(1000)}", (20, 60), face, 1.8, (255,) * 3, 4)
    return out


def first_field(picture: np.ndarray) -> np.ndarray:
    return picture[: int(picture.shape[0] * 0.9), : int(picture.shape[1] * 0.68)].copy()


def neighbouring_field(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The field beside `first_field`: 53 % of it in common, lit a little differently, with the camera's noise anew."""
    rows, columns = picture.shape[:2]
    field = picture[int(rows * 0.1) :, columns - int(columns * 0.68) :].astype(float)
    light = np.linspace(0.93, 1.05, field.shape[1]).reshape(1, -1, *[1] * (field.ndim - 2))
    return np.clip(field * light + rng.normal(0, 2.0, field.shape), 0, 255).astype(np.uint8)


def chain(*changes: Change) -> Change:
    def all_of(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        for change in changes:
            picture = change(picture, rng)
        return picture

    return all_of


CHANGES: dict[str, Change] = {
    "crop to 60 to 80 % a side": crop,
    "turn by any angle": turn,
    "quarter turns": quarter_turns,
    "mirror": mirror,
    "upside down": upside_down,
    "resize 0.45 to 1.7": resize,
    "brightness and contrast": brightness,
    "gamma 0.55 to 1.8": gamma,
    "JPEG quality 35 to 60": jpeg,
    "grey": grey,
    "bar and label redrawn": label,
    "neighbouring field": neighbouring_field,
    "mirror, 0.6 the size, JPEG": chain(mirror, lambda p, r: resize(p, r, 0.6), jpeg),
    "turn ± 12°, crop, gamma": chain(lambda p, r: turn(p, r, float(r.uniform(-12, 12))), crop, gamma),
    "mirror, crop, grey, label": chain(mirror, crop, grey, label),
}
