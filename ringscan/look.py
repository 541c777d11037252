"""From a photo to the face, and what the picture lacks: the first half of a scan, and quick."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ringscan.errors import FaceError, PlanError, RingscanError, SheetError
from ringscan.image.beside import PictureSide
from ringscan.image.face import FaceView, locate_face
from ringscan.image.flush import locate_flush
from ringscan.image.hindrance import code_hindrance, several
from ringscan.image.inplane import CARD_MM, Flush, Kind
from ringscan.image.photo import Photo, read_photo
from ringscan.image.pose import Pose, find_pose
from ringscan.image.quality import COMPRESSION, SHARPENING, Finding, Grade, inspect_picture
from ringscan.image.rectify import Face, rectify_face
from ringscan.image.reference import SheetView, find_sheet, read_code
from ringscan.image.sharpness import EdgeResponse, sheet_response
from ringscan.layout import require_check_line
from ringscan.plan import Axis, Plan, require_axis
from ringscan.plancode import SheetCode

__all__ = ["CARD_MM", "Flush", "Kind", "Look", "PictureSide", "look_at", "turned"]

READ_TURNED = (
    "the tower lies with its base away from the sheet's bottom edge: it was read turned by 180°"
)

STEPS_MM = (0.1, 0.2)
STEPS_PER_RIPPLE = 6
"""Sampling along the face: a sixth of the ripple at the ramp's upper end, within these bounds."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """The face, found and seen straight on.

    photo : the picture
    plan, axis : what was printed, and which axis the face shows
    reference : what told the scale
    view : where the face is in the picture
    face : its light
    findings : on the picture, good ones included
    sheet, pose : what told the scale, where that is the sheet
    response : of the sheet's edges, where they tell how sharp the picture is
    turned : whether the tower is read as lying with its base away
    contradictions : between what was given and the sheet's code, one line each
    differences : of a plan that was given from that of the same tower in the sheet's code
    """

    photo: Photo
    plan: Plan
    axis: Axis
    reference: Kind
    view: FaceView
    face: Face
    findings: tuple[Finding, ...]
    sheet: SheetView | None = None
    pose: Pose | None = None
    response: EdgeResponse | None = None
    turned: bool = False
    contradictions: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()

    @property
    def is_fit(self) -> bool:
        """Whether nothing stands in a call's way."""
        return not self.picture_unfit and not self.contradictions

    @property
    def picture_unfit(self) -> bool:
        """Whether another picture is needed."""
        return any(finding.grade is Grade.UNFIT for finding in self.findings)

    @property
    def edges_doubtful(self) -> bool:
        """Whether something was seen that may put the face's edges elsewhere."""
        return bool(self.view.flags) or self._lacks(SHARPENING)

    @property
    def blocky(self) -> bool:
        """Whether the picture was compressed so much that all answers are less sure."""
        return self._lacks(COMPRESSION)

    def _lacks(self, name: str) -> bool:
        return any(f.name == name and f.grade is not Grade.GOOD for f in self.findings)

    @property
    def flags(self) -> tuple[str, ...]:
        """What to know about the picture, one line each."""
        poor = (f.line for f in self.findings if f.grade is not Grade.GOOD)
        return (*self._remarks, *poor)

    @property
    def remarks(self) -> tuple[str, ...]:
        """Flags and contradictions: what is no finding on the picture's quality."""
        return (*self.contradictions, *self._remarks)

    @property
    def _remarks(self) -> tuple[str, ...]:
        turned = READ_TURNED if self.turned else None
        other = None if self.sheet is None else several(self.sheet)
        said = (text for text in (turned, other) if text is not None)
        return (*self.differences, *said, *self.view.flags)


def require_settings(*, axis: str | None, flush: object, check_line_mm: float) -> None:
    """Refuse what no photo could be measured with.

    Raises
    ------
    TypeError
        If the reference is no Flush.
    ValueError
        If the axis is neither x nor y, or the check line is no 100 mm line's length, or one was
        measured although a reference other than the sheet is given.
    """
    require_axis(axis)
    require_check_line(check_line_mm)
    if flush is None:
        return
    if not isinstance(flush, Flush):
        raise TypeError(f"flush must be a Flush, not {type(flush).__name__}")
    if check_line_mm != 100:
        raise ValueError(
            f"check_line_mm = {check_line_mm:g} is the scan sheet's and does not go with flush"
        )


def look_at(
    path: Path,
    *,
    plan: Plan | None = None,
    axis: Axis | None = None,
    flush: Flush | None = None,
    check_line_mm: float = 100.0,
    max_megapixels: float = 60,
) -> Look:
    """Find the face in one photo and inspect the picture.

    Parameters are those of `scan_photo`.

    Raises
    ------
    RingscanError
        If the picture cannot be read, or sheet, plan or face cannot be found.
    TypeError, ValueError
        If the arguments are such that no photo could be measured: see `require_settings`.
    """
    require_settings(axis=axis, flush=flush, check_line_mm=check_line_mm)
    photo = read_photo(path, max_megapixels=max_megapixels)
    sheet = pose = None
    base_away = False
    contradictions: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()
    if flush is not None:
        plan, axis = _given_plan_and_axis(photo, plan, axis)
        view = locate_flush(photo, plan, axis, flush)
        with suppress(SheetError, PlanError):  # a sheet may be in view all the same
            code = read_code(photo, find_sheet(photo))
            contradictions = _contradictions(code, plan, axis)
            differences = _differences(code, plan)
    else:
        sheet = find_sheet(photo)
        code = _code(photo, sheet, needed=plan is None or axis is None)
        contradictions = _contradictions(code, plan, axis)
        differences = _differences(code, plan)
        plan, axis = _plan_and_axis(photo, sheet, code, plan, axis)
        pose = find_pose(photo, sheet, check_line_mm=check_line_mm)
        try:
            view, base_away = _locate(photo, sheet, pose, plan, axis)
        except (FaceError, PlanError) as exc:
            if not contradictions and not differences:
                raise
            raise type(exc)("; ".join([str(exc), *contradictions, *differences])) from exc
    face = rectify_face(photo, view, step_mm=_step_mm(plan, axis))
    response = None if sheet is None else sheet_response(photo, sheet)
    findings = inspect_picture(
        photo, plan, axis, view, face, sheet=sheet, pose=pose, response=response
    )
    return Look(
        photo=photo,
        plan=plan,
        axis=axis,
        reference=Kind.SHEET if flush is None else flush.kind,
        view=view,
        face=face,
        findings=findings,
        sheet=sheet,
        pose=pose,
        response=response,
        turned=base_away,
        contradictions=contradictions,
        differences=differences,
    )


def _locate(
    photo: Photo, sheet: SheetView, pose: Pose, plan: Plan, axis: Axis
) -> tuple[FaceView, bool]:
    """The face, and whether the tower must lie with its base away."""
    try:
        return locate_face(photo, sheet, pose, plan, axis), False
    except PlanError:
        # corners that are much rounder at one end give a tower that lies turned another size
        with suppress(RingscanError):
            return locate_face(photo, sheet, pose, plan, axis, base_away=True), True
        raise


def turned(look: Look) -> Look:
    """The same picture, read as one of a tower that lies with its base away.

    Raises
    ------
    RingscanError
        If the tower's outline does not allow that.
    ValueError
        If the scale was not told by a scan sheet.
    """
    if look.sheet is None or look.pose is None:
        raise ValueError("without a scan sheet the base's side is given, not read")
    view = locate_face(look.photo, look.sheet, look.pose, look.plan, look.axis, base_away=True)
    face = rectify_face(look.photo, view, step_mm=_step_mm(look.plan, look.axis))
    return replace(look, view=view, face=face, turned=True)


def _step_mm(plan: Plan, axis: Axis) -> float:
    commands = plan.commands(axis)
    shortest = plan.motion.speed_mm_s / float(np.nanmax(commands.frequency_hz))
    return float(np.clip(shortest / STEPS_PER_RIPPLE, *STEPS_MM))


def _code(photo: Photo, sheet: SheetView, *, needed: bool) -> SheetCode | None:
    """What the sheet's code says; one that makes no sense matters only where it is needed."""
    try:
        return read_code(photo, sheet)
    except PlanError:
        if needed:
            raise
        return None


def _contradictions(
    code: SheetCode | None, plan: Plan | None, axis: Axis | None
) -> tuple[str, ...]:
    """Where what was given is not what the sheet's code says."""
    said = []
    if code is not None and plan is not None and plan.tower != code.plan.tower:
        said.append(
            f"the sheet's code says tower '{code.plan.tower}', but a plan of '{plan.tower}' was "
            "given; give the right file, or photograph the tower on its own sheet"
        )
    if code is not None and axis is not None and axis != code.axis:
        said.append(
            f"the sheet's code says axis {code.axis.upper()}, but {axis.upper()} was given; give "
            "the right axis, or photograph the face on its own sheet"
        )
    return tuple(said)


MOST_DIFFERENCES = 3


def _differences(code: SheetCode | None, given: Plan | None) -> tuple[str, ...]:
    """What a plan that was given has otherwise than the sheet's of the same tower: the first keys.

    It wins: the sheet may be of an earlier state, or of a simpler plan that fits its code.
    """
    if code is None or given is None or given.tower != code.plan.tower:
        return ()

    def flat(value: object, key: str = "") -> dict[str, object]:
        if not isinstance(value, dict):
            return {key: value}
        return {
            k: v for name, part in value.items() for k, v in flat(part, f"{key}.{name}").items()
        }

    def told(value: object) -> object:
        return "nothing" if value is None else value

    sheet, file = (flat(plan.model_dump(mode="json")) for plan in (code.plan, given))
    said = [
        f"{key.removeprefix('.')} {told(sheet.get(key))} on the sheet, "
        f"{told(file.get(key))} in the file"
        for key in dict.fromkeys([*sheet, *file])
        if sheet.get(key) != file.get(key)
    ]
    if not said:
        return ()
    more = f", and {len(said) - MOST_DIFFERENCES} more" if len(said) > MOST_DIFFERENCES else ""
    first = ", ".join(said[:MOST_DIFFERENCES])
    return (f"the plan file was used, not the sheet's code, which differs: {first}{more}",)


def _plan_and_axis(
    photo: Photo, sheet: SheetView, code: SheetCode | None, plan: Plan | None, axis: Axis | None
) -> tuple[Plan, Axis]:
    """What was given wins over the sheet's code."""
    if plan is not None and axis is not None:
        return plan, axis
    if code is not None:
        return plan or code.plan, axis or code.axis
    if plan is None:
        raise SheetError(
            f"{photo.source}: the sheet's code cannot be read; give the plan file and the axis, "
            "or photograph again: "
            + (code_hindrance(photo, sheet) or "the code must be sharp and uncovered")
        )
    return _given_plan_and_axis(photo, plan, axis)


def _given_plan_and_axis(photo: Photo, plan: Plan | None, axis: Axis | None) -> tuple[Plan, Axis]:
    """Without a code that can be read."""
    if plan is None:
        raise PlanError(f"{photo.source}: without a scan sheet the plan file must be given")
    if axis is None and len(plan.axes) > 1:
        raise PlanError(
            f"{photo.source}: no code can be read and plan '{plan.tower}' has two axes; say which "
            "one the face shows"
        )
    return plan, axis or plan.axes[0]
