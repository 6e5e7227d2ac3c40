"""A cylinder drawn as a section to its own proportions: shell, liquid, wetted wall, and the level needed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Section:
    """Path strings and positions (picture units) of one cylinder; the origin is at the foot, left."""

    width: float
    height: float
    shell: str
    liquid: str
    wetted_wall: str
    surface_y: float
    needed_y: float | None


def _half_width(z: float, diameter: float, straight: float) -> float:
    """Half the inside width at height z of a shell with 2:1 ellipsoidal heads (depth a quarter of the diameter)."""
    depth = diameter / 4
    low = min(z, 2 * depth + straight - z)
    if low >= depth:
        return diameter / 2
    return float(diameter / 2 * max(0.0, 1 - ((depth - low) / depth) ** 2) ** 0.5)


def _outline(diameter: float, straight: float, top: float, scale: float, tall: float) -> list[tuple[float, float]]:
    """Points of the left wall from the foot up to height `top`, then the right wall down again."""
    depth = diameter / 4
    heights = [depth * (1 - (1 - k / 12) ** 2) for k in range(13)]  # dense near the pole, where the wall turns
    heights += [depth + straight + depth * (k / 12) ** 0.5 for k in range(13)]
    heights = sorted({min(z, top) for z in heights} | {top})
    wall = [(_half_width(z, diameter, straight), z) for z in heights]
    middle = diameter / 2
    left = [((middle - w) * scale, (tall - z) * scale) for w, z in wall]
    right = [((middle + w) * scale, (tall - z) * scale) for w, z in reversed(wall)]
    return left + right


def _path(points: list[tuple[float, float]], *, closed: bool) -> str:
    text = "L".join(f"{px:.1f} {py:.1f}" for px, py in points)
    return f"M{text}{'Z' if closed else ''}"


def draw(
    diameter_m: float,
    straight_m: float,
    liquid_m: float,
    needed_m: float | None,
    scale: float = 240.0,
) -> Section:
    """Draw one cylinder of inside diameter and straight length (m) holding liquid to `liquid_m` above its foot.

    `scale` is picture units per metre, the same for all cylinders of a page, so that sizes compare by eye.
    """
    tall = straight_m + diameter_m / 2
    level = min(max(0.0, liquid_m), tall)
    body = _outline(diameter_m, straight_m, tall, scale, tall)
    wet = _outline(diameter_m, straight_m, level, scale, tall) if level > 0 else []
    return Section(
        width=round(diameter_m * scale, 1),
        height=round(tall * scale, 1),
        shell=_path(body, closed=True),
        liquid=_path(wet, closed=True) if wet else "",
        wetted_wall=_path(_walk(wet), closed=False) if wet else "",
        surface_y=round((tall - level) * scale, 1),
        needed_y=None if needed_m is None else round((tall - min(max(0.0, needed_m), tall)) * scale, 1),
    )


def _walk(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Order the outline so that it runs down the left wall, round the foot and up the right wall."""
    half = len(points) // 2
    return list(reversed(points[:half])) + list(reversed(points[half:]))
