"""The setup sheet as one page that needs nothing else: style, script and pictures stand in it.

It reads without its script, which only keeps the ticks on the device. A policy in the head of the
answer lets exactly this style and this script run, whatever a text of the sheet may hold.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from service import __version__
from service.errors import Amount
from service.model import Finding
from service.web import answer, texts
from service.web.sheet.picture import Stage
from service.web.sheet.view import stages_drawing, strip_drawing
from service.web.sheet.words import NO_BREAK, Speech, ToldStep

HTML = "text/html; charset=utf-8"
FOLDER = Path(__file__).resolve().parent


class Group(NamedTuple):
    """Steps below one heading."""

    key: str
    title: str
    steps: Sequence[Mapping[str, Any]]


@cache
def _template(name: str) -> Template:
    environment = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        finalize=bound,
    )
    return environment.get_template(name)


# A number before a unit, or before the fraction of an inch that goes with it.
NUMBER_AND_UNIT = re.compile(
    r"(?<=\d) (?=(?:mm|in|N|kN|lbf|kg|lb|MPa|psi|%|mm²|in²)(?![\w-])|\d+/\d+ )"
)


def bound(value: Any) -> Any:
    """A text with its numbers tied to their units, so that no line breaks between them."""
    return NUMBER_AND_UNIT.sub(NO_BREAK, value) if type(value) is str else value


@cache
def asset(name: str) -> str:
    """A file that stands in the page."""
    return (FOLDER / name).read_text(encoding="utf-8")


@cache
def headers() -> Mapping[str, str]:
    """Headers of the page: only its own style and script, found by their digests."""
    style, script = _digest(asset("page.css")), _digest(asset("page.js"))
    return {
        "Content-Security-Policy": f"default-src 'none'; style-src '{style}'; "
        f"script-src '{script}'; worker-src 'self'; img-src data:; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'",
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }


def _digest(source: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()


# What is wrong with a link that was not copied whole; the type of its problem ends so.
CUT_OFF = ("address-without-body", "address-not-base64url", "address-not-zlib", "malformed-json")
MOST_TOLD = 10


def refused_page(problem: Mapping[str, Any]) -> str:
    """The page for a person who opened a link that gives no sheet.

    Arguments:
        problem: the document that stands for the refusal (RFC 9457)
    """
    spoken = texts.language()
    known = texts.catalogue(spoken)
    words, kind = known["refused"], str(problem["type"]).rpartition(":")[2]
    which = "cut_off" if kind in CUT_OFF else "other"
    entries = problem.get("errors", ())[:MOST_TOLD]
    return _template("refused.html").render(
        lang=spoken,
        sheet=known["sheet"]["title"],
        title=words[f"{which}_title"],
        advice=words[which],
        reason=words["reason"],
        detail=problem["detail"],
        # an entry that says the same as the whole stands once
        entries=[entry for entry in entries if entry["detail"] != problem["detail"]],
        style=Markup(asset("page.css")),
    )


WORKER = "text/javascript; charset=utf-8"
WORKER_HEADERS = {
    # it stands below the page that it serves
    "Service-Worker-Allowed": "/",
    "Content-Security-Policy": "default-src 'none'; connect-src 'self'",
    "X-Content-Type-Options": "nosniff",
}


class Links(NamedTuple):
    """Where a page leads to, seen from where it stands.

    Arguments:
        again: address that gives this sheet again; None where it is too long for one
        offline: the script that keeps it; None where the page has no address to be kept by
    """

    again: str | None
    offline: str | None


def page_of(
    sheet: Any, stages: Sequence[Stage], how: Speech, *, cautions: tuple[str, ...], links: Links
) -> str:
    """The page of a sheet.

    Arguments:
        sheet: of ``service.calc.setup_sheet``, with ``title``, ``key`` and ``told`` steps beside
        stages: the part after each bend
        cautions: codes of those that stand first
        links: where it leads to
    """
    say, told = texts.catalogue(how.spoken)["sheet"], sheet.told
    findings = list(_findings(sheet.findings, how))
    return _template("page.html").render(
        lang=how.spoken,
        key=sheet.key,
        title=sheet.title or say["title"],
        say=say,
        style=Markup(asset("page.css")),
        script=Markup(asset("page.js")),
        verdict=sheet.verdict,
        verdict_word=say[sheet.verdict],
        verdict_detail=say[f"{sheet.verdict}_detail"],
        cautions=answer.cautions(cautions, how.spoken),
        look_at=[one for one in findings if one["severity"] != "ok"],
        noted=[one for one in findings if one["severity"] == "ok"],
        part=list(_part(sheet, how)),
        caption=_caption(sheet, how),
        rows=[_row(row, how) for row in sheet.bends],
        strip=Markup(strip_drawing(sheet, how)),
        stages=Markup(stages_drawing(sheet, stages, how)),
        groups=list(_groups(told, how)),
        count=len(told),
        basis=list(_basis(sheet.methods)),
        link=links.again,
        offline=links.offline,
        versions=how.say(
            "sheet", "versions", service=__version__, methods=answer.catalogue().digest
        ),
    )


def _findings(findings: Iterable[Finding], how: Speech) -> Iterator[dict[str, Any]]:
    for finding in findings:
        yield answer.finding_note(finding, how.system, how.spoken)


def _part(sheet: Any, how: Speech) -> Iterator[tuple[str, str]]:
    say, tube = texts.catalogue(how.spoken)["sheet"], sheet.tube
    od, wall = Amount(tube.outside_diameter, "length"), Amount(tube.wall_thickness, "length")
    material = f", {tube.material.name}" if tube.material else ""
    yield say["tube"], f"{how.show(od)} × {how.show(wall)}{material}"
    yield say["cut"], how.show(sheet.cut_length)
    yield say["bender"], sheet.bender.name or sheet.bender.id
    for die in sheet.dies:
        yield say["die"], die.name or die.id
    yield say["mandrel"], say[f"mandrel_{sheet.mandrel_verdict}"]
    if sheet.utilisation is not None:
        yield say["load"], f"{how.show(Amount(round(sheet.utilisation, 2), 'percent'))}"


def _caption(sheet: Any, how: Speech) -> str:
    end = texts.text("words", sheet.measured_from, how.spoken)
    whole = sheet.measure == "from_end"
    return how.say("sheet", "overview_caption" + "_as_you_go" * (not whole), end=end)


def _row(row: Any, how: Speech) -> dict[str, Any]:
    say = texts.catalogue(how.spoken)["sheet"]
    rotation, direction = row.marks.rotation, row.roll_direction
    still = direction == "none"
    turned = how.show(Amount(abs(rotation.angle), "angle"))
    return {
        "bend": row.bend,
        "mark": how.show(row.marks.zero_mark),
        "roll": say["none"] if still else turned,
        "how": () if still else (say[direction], how.show(rotation.arc).lstrip("-−")),
        "crank": how.show(row.marks.crank) if row.die_fits else say["none"],
    }


def _groups(told: Sequence[ToldStep], how: Speech) -> Iterator[Group]:
    for (name, bend), steps in groupby(told, key=lambda step: (step.group, step.bend)):
        title = how.say("groups", name, bend=bend)
        yield Group(f"group-{name}-{bend or 0}", title, [_step(step) for step in steps])


def _step(step: ToldStep) -> dict[str, Any]:
    return {**step._asdict(), "key": f"step-{step.code.replace('_', '-')}-{step.bend or 0}"}


def _basis(methods: Iterable[str]) -> Iterator[dict[str, str]]:
    known = answer.catalogue()
    for name in methods:
        note = known.note(known.methods[name])
        sources = "; ".join(f"{s['title']} [{s['trust']}]" for s in note["sources"])
        yield {"title": note["title"], "formula": note["formula"], "sources": sources}
