"""The steps of a setup sheet, from fastening the bender to checking the bent part.

A step holds codes and values, never words: the catalogue has the words in every language.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

from service.calc.developed_length import Allowance
from service.calc.mark_layout import Mark, Turn, marker
from service.calc.setup_sheet import DieSetUp, MandrelNose, SetupSheet, SheetBend
from service.errors import Amount, Value, Word
from service.model import End

Group = Literal["prepare", "cut", "mark", "bend", "finish"]
# An amount, a mark as the rule shows it, an angle as the protractor shows it, or a word.
Shown = Value | Mark | Turn
Values = Mapping[str, Shown]
NONE: Values = MappingProxyType({})


class Line(NamedTuple):
    """One instruction or figure: the code of its text and the values that fill it."""

    code: str
    values: Values


class Step(NamedTuple):
    """One step of the work.

    Arguments:
        number: from 1, in the order of the work
        code: of the step, and of its title
        group: part of the work that it belongs to
        bend: bend number from end 1; None for a step of the whole part
        values: for the title
        actions: what to do, in order
        figures: the numbers at a glance: label and value
        cautions: codes of the cautions that bite here
    """

    number: int
    code: str
    group: Group
    bend: int | None
    values: Values
    actions: tuple[Line, ...]
    figures: tuple[tuple[str, Shown], ...]
    cautions: tuple[str, ...]


class _Draft(NamedTuple):
    """A step before it has its number."""

    code: str
    group: Group
    bend: int | None = None
    values: Values = NONE
    actions: tuple[Line, ...] = ()
    figures: tuple[tuple[str, Shown], ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Job:
    """The sheet, how the rule shows a length, and what the findings say of each bend.

    Arguments:
        mark: rounds an exact length to the bench step, once
        codes: of the findings by bend; those of the whole part by None
        blocked: bends that a finding blocks; None among them for all of the work
    """

    sheet: SetupSheet
    mark: Callable[[float], Mark]
    codes: Mapping[int | None, set[str]]
    blocked: frozenset[int | None]

    def die(self, name: str | None) -> DieSetUp | None:
        """The die of this id."""
        return next((die for die in self.sheet.dies if die.id == name), None)

    def says(self, code: str, bend: int) -> bool:
        """Whether there is a finding of this code at this bend."""
        return code in self.codes.get(bend, ())


def setup_steps(sheet: SetupSheet) -> Iterator[Step]:
    """The steps of a sheet in the order of the work; the order is common practice.

    Arguments:
        sheet: from ``setup_sheet``
    """
    codes: dict[int | None, set[str]] = {}
    for one in sheet.findings:
        codes.setdefault(one.bend, set()).add(one.code)
    blocked = frozenset(one.bend for one in sheet.findings if one.severity == "blocks")
    job = _Job(sheet, marker(sheet.bench), codes, blocked)
    drafts = (*_prepare(job), *_cut(sheet), *_mark(sheet), *_bend_all(job), *_finish(job))
    for number, draft in enumerate(drafts, 1):
        yield Step(number, *draft)


def _line(code: str, **values: Shown) -> Line:
    return Line(code, values)


def _prepare(job: _Job) -> Iterator[_Draft]:
    sheet = job.sheet
    yield _secure(sheet)
    yield _fit_die(job, sheet.bends[0], "choose_die", None)
    yield _lubricate(sheet)
    brace = sheet.bender.brace_from
    if brace is not None and sheet.tube.outside_diameter >= brace:
        limit = Amount(brace, "length")
        yield _Draft("fit_brace", "prepare", actions=(_line("fit_brace", limit=limit),))
    if sheet.mandrel is not None:
        yield _fit_mandrel(job)
    yield _Draft(
        "set_zero",
        "prepare",
        actions=(_line("zero_play"), _line("zero_scale"), _line("zero_marks")),
    )


def _secure(sheet: SetupSheet) -> _Draft:
    force = max((row.hand_force for row in sheet.bends if row.hand_force), default=None)
    actions = [_line("secure_fasten")]
    if force is not None:
        actions.append(_line("secure_pull", force=Amount(force, "force")))
    furthest = Amount(max(row.reach_ahead for row in sheet.bends), "length")
    end = Word(sheet.measured_from)
    actions.append(_line("secure_sweep", length=furthest, end=end))
    figures: tuple[tuple[str, Shown], ...] = (("reach_ahead", furthest),)
    return _Draft(
        "secure_bender",
        "prepare",
        values={"bender": sheet.bender.name or sheet.bender.id},
        actions=tuple(actions),
        figures=(("hand_force", Amount(force, "force")), *figures) if force else figures,
        cautions=("sheet_fasten", "sheet_sweep"),
    )


def _fit_die(job: _Job, row: SheetBend, code: str, bend: int | None) -> _Draft:
    """The step that fits the die of a row; to stop where it fits none of its bends."""
    sheet, die = job.sheet, job.die(row.die)
    group: Group = "prepare" if bend is None else "bend"
    cautions = ("sheet_blocked_die", "sheet_wrong_groove")
    if die is None:
        return _Draft("no_die", group, bend, cautions=cautions)
    od = Amount(sheet.tube.outside_diameter, "length")
    shown = die.name or die.id
    figures: list[tuple[str, Shown]] = [
        ("groove", Amount(die.tube_outside_diameter, "length")),
        ("radius", Amount(die.radius, "length")),
    ]
    if not any(one.die_fits for one in sheet.bends if one.die == die.id):
        wanted = (_wanted(job, row),)
        return _Draft("wrong_die", group, bend, NONE, wanted, tuple(figures), cautions)
    actions = [
        _line("die_fit", die=shown),
        _line("die_same_size", od=od),
    ]
    if die.clamp_length is not None:
        figures.append(("clamp_length", Amount(die.clamp_length, "length")))
    if die.pressure_die_length is not None:
        figures.append(("pressure_die_length", Amount(die.pressure_die_length, "length")))
    if len(sheet.dies) > 1:
        numbers = ", ".join(map(str, die.bends))
        actions.append(_line("die_for_bends", bends=numbers))
    return _Draft(
        code,
        group,
        bend,
        {"bend": bend},
        tuple(actions),
        tuple(figures),
        ("sheet_wrong_groove",),
    )


def _wanted(job: _Job, row: SheetBend) -> Line:
    """Which die a bend needs, beside the one that there is."""
    od = Amount(job.sheet.tube.outside_diameter, "length")
    radius, die = Amount(row.marks.radius, "length"), job.die(row.die)
    if die is None:
        return _line("die_wanted", od=od, radius=radius)
    return _line(
        "die_differs",
        od=od,
        radius=radius,
        die=die.name or die.id,
        groove=Amount(die.tube_outside_diameter, "length"),
        radius_of_die=Amount(die.radius, "length"),
    )


def _lubricate(sheet: SetupSheet) -> _Draft:
    used: Shown = sheet.bender.lubricant or Word("lubricant_by_maker")
    actions = [
        _line("clean_tools"),
        _line("lubricate_groove", lubricant=used),
        _line("keep_clamp_dry"),
    ]
    if sheet.mandrel is not None:
        actions.append(_line("lubricate_mandrel", lubricant=used))
    return _Draft("clean_and_lubricate", "prepare", actions=tuple(actions))


def _fit_mandrel(job: _Job) -> _Draft:
    sheet = job.sheet
    tool, rod = sheet.mandrel, sheet.rod
    assert tool is not None  # the step exists only with one
    actions = [
        _line(
            "mandrel_take",
            body=Amount(tool.body_diameter, "length"),
            bore=Amount(sheet.tube.inside_diameter, "length"),
            clearance=Amount(tool.clearance, "length"),
        ),
        _line(f"mandrel_nose_{tool.nose}", radius=Amount(tool.corner_radius, "length")),
    ]
    noses = [row.nose for row in sheet.bends if row.nose is not None]
    rods = max((nose.rods for nose in noses if nose.rods), default=None)
    if rod is not None and rods is not None:
        length = Amount(rod.length, "length")
        one = rods == 1
        actions.append(
            _line("mandrel_rod", length=length)
            if one
            else _line("mandrel_rods", rods=rods, length=length)
        )
    actions += [_line("mandrel_lock"), _line("mandrel_forward"), _line("mandrel_back")]
    return _Draft(
        "fit_mandrel",
        "prepare",
        actions=tuple(actions),
        figures=(
            ("mandrel_body", Amount(tool.body_diameter, "length")),
            ("largest_lead", Amount(min(nose.largest_lead for nose in noses), "length")),
        ),
        cautions=("sheet_mandrel",),
    )


def _cut(sheet: SetupSheet) -> Iterator[_Draft]:
    ends = sheet.ends
    actions = [_line("cut_length", cut=sheet.cut_length, exact=_exact(sheet.cut_length))]
    for end, added in (("end_1", ends.end_1), ("end_2", ends.end_2)):
        actions += [_allowance_line(end, one) for one in added]
    if ends.trim:
        actions.append(_line("cut_trim", length=Amount(ends.trim, "length")))
    actions += [_line("cut_square"), _line("cut_mark_ends")]
    figures: list[tuple[str, Shown]] = [("cut_length", sheet.cut_length)]
    if sheet.mass is not None:
        figures.append(("mass", Amount(sheet.mass, "mass")))
    yield _Draft(
        "cut_tube",
        "cut",
        actions=tuple(actions),
        figures=tuple(figures),
        cautions=("sheet_edges",),
    )


def _allowance_line(end: str, one: Allowance) -> Line:
    length = Amount(one.length, "length")
    return _line("cut_allowance", end=Word(end), name=one.name, length=length)


def _exact(mark: Mark) -> Amount:
    return Amount(mark.exact, "length")


def _mark(sheet: SetupSheet) -> Iterator[_Draft]:
    end = Word(sheet.measured_from)
    datum = "mark_from_end" if sheet.measure == "from_end" else "mark_as_you_go"
    actions = [_line(datum, end=end)]
    if sheet.measure == "from_end":
        actions += [
            _line("mark_bend", bend=row.bend, mark=row.marks.zero_mark, exact=_mark_exact(row))
            for row in sheet.bends
        ]
    actions += [_line("mark_ring"), _line("mark_roll_line")]
    yield _Draft("mark_tube", "mark", values={"end": end}, actions=tuple(actions))
    if supported := tuple(_support(sheet)):
        yield _Draft("support_tube", "mark", actions=supported)


def _support(sheet: SetupSheet) -> Iterator[Line]:
    """What is to be supported, behind the die and ahead of it; all where the shop does not say."""
    behind = Amount(max(row.tube_behind for row in sheet.bends), "length")
    ahead = Amount(max(row.reach_ahead for row in sheet.bends), "length")
    if sheet.bender.support_from is None:
        yield _line("support_unstated", length=behind)
        yield _line("support_level")
        yield _line("support_ahead_unstated", length=ahead, end=Word(sheet.measured_from))
        return
    limit = Amount(sheet.bender.support_from, "length")
    if any(row.support for row in sheet.bends):
        yield _line("support_from", length=behind, limit=limit)
        yield _line("support_level")
    if any(row.support_ahead for row in sheet.bends):
        yield _line("support_ahead", length=ahead, limit=limit, end=Word(sheet.measured_from))


def _mark_exact(row: SheetBend) -> Amount:
    return Amount(row.marks.zero_mark.exact, "length")


def _bend_all(job: _Job) -> Iterator[_Draft]:
    fitted = job.sheet.bends[0].die
    for index, row in enumerate(job.sheet.bends):
        if row.die != fitted:
            yield _fit_die(job, row, "change_die", row.bend)
            fitted = row.die
        if not row.die_fits:
            yield _stopped(job, row)
            continue
        yield _set(job, row, first=not index)
        yield _crank(job, row)
        yield _unload(row)
        yield _check(job, row, first=not index)


def _stopped(job: _Job, row: SheetBend) -> _Draft:
    """In place of a bend whose die does not fit: nothing of it is to be set or cranked."""
    values: Values = {"bend": row.bend}
    actions = (_wanted(job, row),)
    return _Draft("stop_bend", "bend", row.bend, values, actions, cautions=("sheet_blocked",))


def _set(job: _Job, row: SheetBend, *, first: bool) -> _Draft:
    sheet, marks = job.sheet, row.marks
    mark, exact = marks.zero_mark, _mark_exact(row)
    actions = [_line("set_enter", end=Word(sheet.measured_from))] if first else []
    actions.append(_roll(row, first=first))
    if sheet.measure == "as_you_go":
        datum = Word("cut_end" if first else "end_of_bend_before")
        actions.append(_line("set_mark_from", mark=mark, exact=exact, datum=datum))
    actions.append(_line("set_mark", bend=row.bend, mark=mark))
    die = job.die(row.die)
    if die is not None and die.has_angle_marks and marks.apex is not None:
        actions.append(_line("set_apex", apex=marks.apex, angle=Amount(marks.angle, "angle")))
    actions += [_line("set_clamp"), _line("set_pressure_die")]
    if row.nose is not None:
        actions += _nose_lines(row.nose, job.mark)
    figures: list[tuple[str, Shown]] = [("mark", mark)]
    if not first:
        figures.append((f"roll_{row.roll_direction}", Amount(abs(marks.rotation.angle), "angle")))
        if row.roll_direction != "none":
            figures.append(("roll_arc", _unsigned(marks.rotation.arc)))
    return _Draft(
        "set_bend",
        "bend",
        row.bend,
        {"bend": row.bend},
        tuple(actions),
        tuple(figures),
        tuple(_set_cautions(job, row)),
    )


def _set_cautions(job: _Job, row: SheetBend) -> Iterator[str]:
    if not job.blocked.isdisjoint((row.bend, None)):
        yield "sheet_blocked"
    if job.says("mandrel_required_not_used", row.bend):
        yield "sheet_without_mandrel"
    if row.nose is not None and row.nose.outside:
        yield "sheet_lead_behind" if row.nose.lead < 0 else "sheet_lead_past"
    if job.says("clamp_reaches_end", row.bend) or job.says("clamp_reaches_bend", row.bend):
        yield "sheet_clamp_short"
    yield "sheet_fingers"


def _roll(row: SheetBend, *, first: bool) -> Line:
    if first:
        return _line("roll_first")
    rotation = row.marks.rotation
    return _line(
        f"roll_{row.roll_direction}",
        angle=Amount(abs(rotation.angle), "angle"),
        arc=_unsigned(rotation.arc),
        exact=Amount(abs(rotation.arc.exact), "length"),
    )


def _unsigned(mark: Mark) -> Mark:
    return Mark(abs(mark.exact), abs(mark.bench), mark.label.lstrip("-−"))


def _nose_lines(nose: MandrelNose, mark: Callable[[float], Mark]) -> Iterator[Line]:
    most = Amount(nose.largest_lead, "length")
    if nose.lead == 0.0:
        yield _line("nose_at_tangent", most=most)
    else:
        code = "nose_lead" if not nose.outside else "nose_behind" if nose.lead < 0 else "nose_past"
        lead = abs(nose.lead)
        yield _line(code, lead=mark(lead), exact=Amount(lead, "length"), most=most)
    if nose.stop_to_tangent is None or nose.nose_to_stop is None:
        return
    stop = nose.stop_to_tangent
    # outside its range no place of the nose is told but the end of the range
    reach = stop + nose.largest_lead if nose.outside else nose.nose_to_stop
    yield _line(
        "nose_stop_range" if nose.outside else "nose_stop",
        stop=mark(stop),
        exact=Amount(stop, "length"),
        reach=mark(reach),
        exact_reach=Amount(reach, "length"),
    )


def _crank(job: _Job, row: SheetBend) -> _Draft:
    crank, angle = row.marks.crank, Amount(row.marks.angle, "angle")
    actions: list[Line] = []
    if row.support:
        actions.append(_line("crank_support", length=Amount(row.tube_behind, "length")))
    ahead = Amount(row.reach_ahead, "length")
    if row.support_ahead:
        end = Word(job.sheet.measured_from)
        actions.append(_line("crank_support_ahead", length=ahead, end=end))
    if row.springback_known:
        back = Amount(crank.exact - row.marks.angle, "angle")
        exact = Amount(crank.exact, "angle")
        actions.append(_line("crank_to", crank=crank, exact=exact, angle=angle, back=back))
    else:
        actions.append(_line("crank_short", crank=crank, angle=angle))
        if row.predicted_set_angle is not None:
            predicted = Amount(row.predicted_set_angle, "angle")
            actions.append(_line("crank_predicted", predicted=predicted))
    figures: list[tuple[str, Shown]] = [("crank", crank), ("finished", angle)]
    if row.turns is not None:
        figures.append(("turns", round(row.turns, 2)))
    figures.append(("reach_ahead", ahead))
    actions.append(_line("crank_steady"))
    return _Draft(
        "crank_bend",
        "bend",
        row.bend,
        {"bend": row.bend, "crank": crank},
        tuple(actions),
        tuple(figures),
        ("sheet_hands_clear", "sheet_sweep"),
    )


def _unload(row: SheetBend) -> _Draft:
    actions = [_line("unload_mandrel")] if row.nose is not None else []
    actions += [_line("unload_back"), _line("unload_open"), _line("unload_zero")]
    return _Draft(
        "unload_bend",
        "bend",
        row.bend,
        {"bend": row.bend},
        tuple(actions),
        cautions=("sheet_spring",),
    )


def _check(job: _Job, row: SheetBend, *, first: bool) -> _Draft:
    gauge, angle = row.gauge, Amount(row.gauge.angle, "angle")
    place = "_from_end" * first
    actions = [_line("check_free")]
    figures: list[tuple[str, Shown]] = [("finished", angle)]
    for name, length in (("straight", gauge.straight), ("leg", gauge.leg)):
        if length is not None:
            mark, exact = job.mark(length), Amount(length, "length")
            actions.append(_line(f"check_{name}{place}", mark=mark, exact=exact))
            figures.append((f"{name}{place}", mark))
    if gauge.band is not None:
        actions.append(_line("check_band", band=Amount(gauge.band, "angle")))
    actions += [_line("check_round"), _line("check_again")]
    return _Draft(
        "check_bend", "bend", row.bend, {"bend": row.bend}, tuple(actions), tuple(figures)
    )


def _finish(job: _Job) -> Iterable[_Draft]:
    sheet, last = job.sheet, job.mark(job.sheet.last_straight)
    end = Word(_other(sheet.measured_from))
    actions = [_line("finish_last", straight=last, exact=_exact(last), end=end)]
    if sheet.ends.trim:
        trim = job.mark(sheet.ends.trim)
        actions.append(_line("finish_trim", length=trim, exact=_exact(trim)))
    actions += [_line("finish_whole"), _line("finish_clean"), _line("finish_test")]
    yield _Draft(
        "finish_part",
        "finish",
        actions=tuple(actions),
        figures=(("last_straight", last),),
        cautions=("sheet_edges", "pressure"),
    )


def _other(end: End) -> End:
    return "end_2" if end == "end_1" else "end_1"
