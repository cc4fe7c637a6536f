"""The road from above, to scale along and (on its own scale) across: own car, lanes, the lead and others, the gap.

Own car stands at the left and drives to the right; the scale is written below. Bodies are drawn in braille dots, of
which a cell has 2 × 4, so that a car of 4.5 m is told from a truck and a drift of 0.3 m is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len

from monitor.following.view import SceneView, VehicleView
from monitor.following.words import with_unit
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.picture import Picture

METRES_PER_CELL = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
_BEHIND = 0.12
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


@dataclass(frozen=True, slots=True)
class Frame:
    """Where things go: cell column of own centre, metres a cell along, metres a dot across, top row of the road."""

    own_x: float
    metres_per_cell: float
    metres_per_dot: float
    top: int
    rows: int
    lane_pitch: int


def draw_road(picture: Picture, width: int, height: int) -> Canvas:
    """Title, the road, and the scale below it."""
    canvas = Canvas(width, height)
    canvas.fill(0, 0, width, "title")
    scene = picture.view.scene
    after = canvas.put(1, 0, "ROAD AHEAD" if width >= 50 else "ROAD", "title") + 2
    if picture.view.masked or picture.old or scene is None:
        word = "masked" if picture.view.masked else "no picture of the road"
        for y in (height // 2 - 1, height // 2 + 1):
            canvas.fill(1, y, width - 2, "dim", "╌")
        canvas.put(max(1, (width - len(word)) // 2), height // 2, word, "strong")
        return canvas
    if picture.calm:
        _in_words(canvas, scene)
        return canvas
    frame = frame_for(scene, width, height)
    if frame.rows < 3:
        return canvas
    _lines(canvas, scene, frame)
    if frame.top + frame.rows < height:
        _scale(canvas, frame, frame.top + frame.rows)
    others = sorted(scene.vehicles, key=lambda one: one.is_lead)
    for vehicle in others:
        _body(canvas, frame, scene, vehicle)
    own = VehicleView(-1, "own", 0.0, 0.0, scene.own_length_m or 4.5, scene.own_width_m or 1.8, is_lead=False)
    _body(canvas, frame, scene, own)
    own_row = frame.top + int(_row_dot(frame, scene, scene.lane_offset_m or 0.0)) // 4
    nose_cells = own.length_m / 2 / frame.metres_per_cell
    canvas.put_right(round(frame.own_x - nose_cells) - 1, own_row, "own" if frame.own_x - nose_cells > 5 else "", "dim")
    lead = next((one for one in scene.vehicles if one.is_lead), None)
    if lead is None:
        canvas.put(after, 0, "no lead", "title-strong")
    else:
        said = clean(lead.name) or f"vehicle {lead.id}"
        canvas.put(after, 0, _lead_title(said, scene.gap_m, width - after - 1), "title-strong")
        _gap(canvas, frame, scene, lead, own_row)
        tail = round(frame.own_x + (lead.ahead_m + lead.length_m / 2) / frame.metres_per_cell) + 1
        canvas.put(tail, own_row, said if tail + len(said) < width else "", "dim")
    return canvas


def _lead_title(name: str, gap_m: float | None, room: int) -> str:
    """Lead and gap; with no room for both the gap, because in the picture it may be too short for its label."""
    if gap_m is None:
        return fit(f"lead {name}", room)
    gap = with_unit(gap_m, "m")
    choices = (f"lead {name}, gap {gap}", f"lead {name}, {gap}", f"lead {gap}")
    return fit(next((one for one in choices if cell_len(one) <= room), choices[-1]), room)


def _in_words(canvas: Canvas, scene: SceneView) -> None:
    """The road as text, for a slow link: the lead and the gap, then the others by distance."""
    shown = sorted(scene.vehicles, key=lambda one: (not one.is_lead, abs(one.ahead_m)))
    for y, vehicle in enumerate(shown[: canvas.height - 1], start=1):
        name = clean(vehicle.name) or f"vehicle {vehicle.id}"
        place = f"{with_unit(abs(vehicle.ahead_m), 'm')} {'ahead' if vehicle.ahead_m >= 0.0 else 'behind'}"
        if vehicle.is_lead:
            place = place if scene.gap_m is None else f"gap {with_unit(scene.gap_m, 'm')}"
        room = canvas.width - 4 - len(place)
        if vehicle.is_lead and len(name) + 5 <= room:
            name = f"lead {name}"
        said = f"{fit(name, min(len(name), room))}  {place}"
        canvas.put(1, y, said, "strong" if vehicle.is_lead else "plain")
    if not any(vehicle.is_lead for vehicle in shown):
        canvas.put(1, min(canvas.height - 1, len(shown) + 1), "no lead", "strong")


def frame_for(scene: SceneView, width: int, height: int) -> Frame:
    """The finest scale at which the lead (or 60 m) is in the picture; lanes as wide as the rows allow."""
    lead = next((one for one in scene.vehicles if one.is_lead), None)
    reach = 60.0 if lead is None else max(30.0, lead.ahead_m + lead.length_m)
    ahead_cells = width * (1 - _BEHIND) - 2
    step = next((one for one in METRES_PER_CELL if reach <= one * ahead_cells), METRES_PER_CELL[-1])
    lanes = max(1, scene.lanes)
    room = height - 2 if height - 2 >= 2 * lanes + 1 else height - 1  # lanes of no row are worth less than the scale
    pitch = max(1, min(5, (room - 1) // lanes))
    rows = min(room, pitch * lanes + 1)
    top = 1 + (room - rows) // 2
    return Frame(max(3.0, width * _BEHIND), step, scene.lane_width_m / (pitch * 4), top, rows, pitch)


def _row_dot(frame: Frame, scene: SceneView, left_m: float) -> float:
    """Dots from the top of the road for a place left of own lane's centre; the rightmost lane is the lowest."""
    from_right_edge = (scene.own_lane + 0.5) * scene.lane_width_m + left_m
    bottom_line = (frame.rows - 1) * 4 + 1.5
    return bottom_line - from_right_edge / frame.metres_per_dot


def _lines(canvas: Canvas, scene: SceneView, frame: Frame) -> None:
    for line in range(scene.lanes + 1):
        y = frame.top + frame.rows - 1 - line * frame.lane_pitch
        edge = line in (0, scene.lanes)
        canvas.fill(0, y, canvas.width, "edge", "━" if edge else "╌")


def _scale(canvas: Canvas, frame: Frame, y: int) -> None:
    gap_m = next(step for step in (5, 10, 20, 50, 100, 200) if step / frame.metres_per_cell >= 8)
    x = frame.own_x
    metres = 0
    while x < canvas.width - 5:
        said = f"{metres} m" if metres == 0 else f"{metres}"
        canvas.put(round(x), y, f"╵{said}", "dim")
        metres += gap_m
        x = frame.own_x + metres / frame.metres_per_cell


def _body(canvas: Canvas, frame: Frame, scene: SceneView, vehicle: VehicleView) -> None:
    offset = scene.lane_offset_m or 0.0
    centre = frame.own_x * 2 + vehicle.ahead_m / frame.metres_per_cell * 2
    half = max(1.0, vehicle.length_m / frame.metres_per_cell)
    middle = _row_dot(frame, scene, offset + vehicle.left_m)
    half_wide = max(1.0, vehicle.width_m / 2 / frame.metres_per_dot)
    left, right = round(centre - half), round(centre + half)
    top, bottom = round(middle - half_wide + 0.5), round(middle + half_wide - 0.5)
    role = "own" if vehicle.id == -1 and vehicle.name == "own" else "lead" if vehicle.is_lead else "other"
    cells: dict[tuple[int, int], int] = {}
    for dot_x in range(max(0, left), min(canvas.width * 2, right)):
        for dot_y in range(max(0, top), min(frame.rows * 4 - 1, bottom) + 1):
            cell = (dot_y // 4, dot_x // 2)
            cells[cell] = cells.get(cell, 0) | _DOTS[dot_y % 4][dot_x % 2]
    for (row, column), pattern in cells.items():
        canvas.put(column, frame.top + row, chr(0x2800 + pattern) if pattern != 0xFF else "█", role)


def _gap(canvas: Canvas, frame: Frame, scene: SceneView, lead: VehicleView, y: int) -> None:
    """The gap as a line with two ends and its length, on the row of own car's centre."""
    if scene.gap_m is None:
        return
    start = round(frame.own_x + (scene.own_length_m or 4.5) / 2 / frame.metres_per_cell)
    end = round(frame.own_x + (lead.ahead_m - lead.length_m / 2) / frame.metres_per_cell) - 1
    start += 1
    if end - start < 3:
        return
    canvas.put(start, y, "├" + "─" * (end - start - 1) + "┤", "dim")
    said = f" {with_unit(scene.gap_m, 'm')} "
    if len(said) + 2 <= end - start:
        canvas.put((start + end + 1 - len(said)) // 2, y, said, "strong")
