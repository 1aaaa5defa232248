"""The steps of a setup sheet, from fastening the bender to checking the bent part.

A step holds codes and values, never words: the catalogue has the words in every language.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

from service.calc.developed_length import Allowance
from service.calc.mark_layout import Mark, Turn
from service.calc.setup_sheet import MandrelNose, SetupSheet, SheetBend
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


def setup_steps(sheet: SetupSheet) -> Iterator[Step]:
    """The steps of a sheet in the order of the work; the order is common practice.

    Arguments:
        sheet: from ``setup_sheet``
    """
    drafts = (*_prepare(sheet), *_cut(sheet), *_mark(sheet), *_bend_all(sheet), *_finish(sheet))
    for number, draft in enumerate(drafts, 1):
        yield Step(number, *draft)


def _line(code: str, **values: Shown) -> Line:
    return Line(code, values)


def _prepare(sheet: SetupSheet) -> Iterator[_Draft]:
    yield _secure(sheet)
    first = next((row.die for row in sheet.bends), None)
    yield _fit_die(sheet, first, "choose_die", None)
    yield _lubricate(sheet)
    brace = sheet.bender.brace_from
    if brace is not None and sheet.tube.outside_diameter >= brace:
        limit = Amount(brace, "length")
        yield _Draft("fit_brace", "prepare", actions=(_line("fit_brace", limit=limit),))
    if sheet.mandrel is not None:
        yield _fit_mandrel(sheet)
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
    longest = max(row.tube_behind for row in sheet.bends)
    actions.append(_line("secure_sweep", length=Amount(longest, "length")))
    return _Draft(
        "secure_bender",
        "prepare",
        values={"bender": sheet.bender.name or sheet.bender.id},
        actions=tuple(actions),
        figures=(("hand_force", Amount(force, "force")),) if force else (),
        cautions=("sheet_fasten", "sheet_sweep"),
    )


def _fit_die(sheet: SetupSheet, name: str | None, code: str, bend: int | None) -> _Draft:
    die = next((die for die in sheet.dies if die.id == name), None)
    group: Group = "prepare" if bend is None else "bend"
    if die is None:
        return _Draft("no_die", group, bend, cautions=("sheet_wrong_groove",))
    od = Amount(sheet.tube.outside_diameter, "length")
    shown = die.name or die.id
    actions = [
        _line("die_fit", die=shown),
        _line("die_same_size", od=od),
    ]
    figures: list[tuple[str, Shown]] = [
        ("groove", Amount(die.tube_outside_diameter, "length")),
        ("radius", Amount(die.radius, "length")),
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


def _fit_mandrel(sheet: SetupSheet) -> _Draft:
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
        actions.append(_line("mandrel_rods", rods=rods, length=Amount(rod.length, "length")))
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
    longest = max(row.tube_behind for row in sheet.bends)
    limit = sheet.bender.support_from
    if limit is None or longest > limit:
        code = "support_unstated" if limit is None else "support_from"
        values = {"length": Amount(longest, "length"), "limit": Amount(limit or 0.0, "length")}
        actions = [Line(code, values), _line("support_level")]
        yield _Draft("support_tube", "mark", actions=tuple(actions))


def _mark_exact(row: SheetBend) -> Amount:
    return Amount(row.marks.zero_mark.exact, "length")


def _bend_all(sheet: SetupSheet) -> Iterator[_Draft]:
    fitted = sheet.bends[0].die
    for index, row in enumerate(sheet.bends):
        if row.die != fitted:
            yield _fit_die(sheet, row.die, "change_die", row.bend)
            fitted = row.die
        yield _set(sheet, row, first=not index)
        yield _crank(row)
        yield _unload(row)
        yield _check(row, first=not index)


def _set(sheet: SetupSheet, row: SheetBend, *, first: bool) -> _Draft:
    marks = row.marks
    mark, exact = marks.zero_mark, _mark_exact(row)
    actions = [_line("set_enter", end=Word(sheet.measured_from))] if first else []
    actions.append(_roll(row, first=first))
    if sheet.measure == "as_you_go":
        datum = Word("cut_end" if first else "end_of_bend_before")
        actions.append(_line("set_mark_from", mark=mark, exact=exact, datum=datum))
    actions.append(_line("set_mark", bend=row.bend, mark=mark))
    die = next((die for die in sheet.dies if die.id == row.die), None)
    if die is not None and die.has_angle_marks and marks.apex is not None:
        actions.append(_line("set_apex", apex=marks.apex, angle=Amount(marks.angle, "angle")))
    actions += [_line("set_clamp"), _line("set_pressure_die")]
    if row.nose is not None:
        actions += _nose_lines(row.nose)
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
        (*("sheet_blocked",) * _blocked(sheet, row.bend), "sheet_fingers"),
    )


def _blocked(sheet: SetupSheet, bend: int) -> bool:
    """Whether a finding blocks this bend, or all of the work."""
    return any(one.severity == "blocks" and one.bend in (bend, None) for one in sheet.findings)


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


def _nose_lines(nose: MandrelNose) -> list[Line]:
    lines = [
        _line(
            "nose_lead",
            lead=Amount(nose.lead, "length"),
            most=Amount(nose.largest_lead, "length"),
        )
    ]
    if nose.stop_to_tangent is not None and nose.nose_to_stop is not None:
        lines.append(
            _line(
                "nose_stop",
                stop=Amount(nose.stop_to_tangent, "length"),
                reach=Amount(nose.nose_to_stop, "length"),
            )
        )
    return lines


def _crank(row: SheetBend) -> _Draft:
    crank, angle = row.marks.crank, Amount(row.marks.angle, "angle")
    actions: list[Line] = []
    if row.support:
        actions.append(_line("crank_support", length=Amount(row.tube_behind, "length")))
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


def _check(row: SheetBend, *, first: bool) -> _Draft:
    gauge, angle = row.gauge, Amount(row.gauge.angle, "angle")
    straight = Amount(gauge.straight, "length")
    actions = [_line("check_free")]
    if gauge.band is not None:
        actions.append(_line("check_band", band=Amount(gauge.band, "angle")))
    place = "_from_end" * first
    figures: list[tuple[str, Shown]] = [("finished", angle), (f"straight{place}", straight)]
    if gauge.leg is not None:
        figures.append((f"leg{place}", Amount(gauge.leg, "length")))
    actions += [_line("check_round"), _line("check_again")]
    return _Draft(
        "check_bend", "bend", row.bend, {"bend": row.bend}, tuple(actions), tuple(figures)
    )


def _finish(sheet: SetupSheet) -> Iterable[_Draft]:
    last = Amount(sheet.last_straight, "length")
    actions = [_line("finish_last", straight=last, end=Word(_other(sheet.measured_from)))]
    if sheet.ends.trim:
        actions.append(_line("finish_trim", length=Amount(sheet.ends.trim, "length")))
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
