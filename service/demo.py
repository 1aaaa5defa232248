"""The main job on the demo scenario, over HTTP, printed as a fitter reads it.

``python -m service.demo [ADDRESS]`` asks a running service, or starts one for itself; the scenario,
an invented return line of an invented forestry trailer, is ``shared/demo``.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import textwrap
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from service.reference_files import shared_file

Answer = dict[str, Any]


def ask(address: str, path: str, body: Answer) -> Answer:
    """Post ``body``; exits with the service's own words when it refuses."""
    request = urllib.request.Request(
        address + path,
        data=json.dumps(body).encode(),
        headers={"Content-Type": "application/json", "Accept": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as response:
            answer: Answer = json.load(response)
            return answer
    except urllib.error.HTTPError as error:
        with error:
            sys.exit(f"{path}: {json.load(error).get('detail')}")


@contextmanager
def served() -> Iterator[str]:
    """Start the service under gunicorn on a free port of loopback; its address, until done."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "--log-level", "error"]
    command += ["--bind", f"127.0.0.1:{port}", "service.app:create_app()"]
    # what it logs of each request is of no use here; its faults still come by the other stream
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        wait_for(port, server)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(timeout=20)


def wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    """Wait until the server listens; exits when it has ended or does not listen within 20 s."""
    for _ in range(400):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        if server.poll() is not None:
            break
        time.sleep(0.05)
    sys.exit("the service did not start")


def main(address: str) -> None:
    """Ask the calculations of the main job and the setup sheet; print what the bench needs."""
    line = read_demo("line.json")
    print(line["title"], "=" * len(line["title"]), sep="\n")
    answers = [ask(address, path, body) for path, body in line["requests"].items()]
    length, layout, mandrel, capacity = answers
    sheet = ask(address, "/v1/setup-sheet", read_demo("setup_sheet.json"))
    for caution in sheet["cautions"]:
        print_wrapped(caution, "! ")
    _print_findings([*answers, sheet])
    _print_set_up(length, capacity["result"], mandrel["result"], sheet["result"])
    _print_marks(layout["result"], sheet["result"])
    _print_steps(sheet["result"]["steps"])


def read_demo(name: str) -> Answer:
    """A file of the demo scenario."""
    found: Answer = json.loads(shared_file("demo", name).read_text(encoding="utf-8"))
    return found


def print_wrapped(text: str, mark: str) -> None:
    """Print a paragraph behind a mark, in lines that a terminal takes."""
    print(textwrap.fill(text, 96, initial_indent=mark, subsequent_indent=" " * len(mark)))


def _print_findings(answers: list[Answer]) -> None:
    """What blocks or needs care in full, the rest in a sentence each; what stands twice, once."""
    found = {f["text"]: f for answer in answers for f in answer["findings"]}.values()
    serious = [f for f in found if f["severity"] != "ok"]
    print(
        "\nTo look at before you start" if serious else "\nNothing speaks against bending. Noted:"
    )
    for finding in serious or found:
        words = {"blocks": "STOP: ", "needs_care": "CARE: ", "ok": ""}[finding["severity"]]
        cure = "" if finding["severity"] == "ok" else f" {finding['cure']}"
        print_wrapped(f"{words}{finding['text']}{cure}", "  - ")


def _print_set_up(length: Answer, capacity: Answer, mandrel: Answer, sheet: Answer) -> None:
    result, tube = length["result"], sheet["tube"]
    stack = result["tolerance"]
    rows = {
        "Tube": f"{tube['outside_diameter']:g} x {tube['wall_thickness']:g} mm, {tube['material']}",
        "Cut": f"{sheet['cut_length']['label']} (exact {result['cut_length']:.2f} mm, "
        f"{result['mass']:.2f} kg, tolerances add up to {stack['worst_case']:.1f} mm)",
        "Bender": f"{capacity['bender_name']}, {100 * (capacity['utilisation'] or 0):.0f} % of its "
        "capacity for the strongest tube",
        "Die": ", ".join(die["name"] for die in sheet["dies"]),
        "Mandrel": mandrel["verdict"].replace("_", " "),
    }
    print()
    for name, value in rows.items():
        print(f"{name + ':':9}{value}")


def _print_marks(layout: Answer, sheet: Answer) -> None:
    """One line a bend: where the mark goes, how to roll, how far to crank, what to check."""
    end = layout["measured_from"].replace("_", " ")
    print(f"\nMarks from {end} on the straight tube; rolls seen from its rear end towards the die")
    head = ("bend", "mark", "roll", "round tube", "crank to", "turns", "straight", "angle")
    print("{:>5}{:>12}{:>21}{:>12}{:>10}{:>7}{:>10}{:>8}".format(*head))
    for marks, row in zip(layout["bends"], sheet["bends"], strict=True):
        turns = "" if row["turns"] is None else f"{row['turns']:.2f}"
        print(
            f"{marks['bend']:>5}{marks['zero_mark']['label']:>12}{_roll(row):>21}"
            f"{marks['rotation']['arc']['label'].lstrip('-'):>12}"
            f"{marks['crank']['bench']:>9.1f}°{turns:>7}"
            f"{row['gauge']['straight']:>10.1f}{row['gauge']['angle']:>7.1f}°"
        )
    print(f"Last straight, to the rear end: {sheet['last_straight']:.1f} mm")


def _roll(row: Answer) -> str:
    direction = row["roll_direction"].replace("_", " ")
    turned = abs(row["marks"]["rotation"]["angle"])
    return "none" if direction == "none" else f"{turned:.1f}° {direction}"


def _print_steps(steps: list[Answer]) -> None:
    print("\nStep by step")
    for step in steps:
        print(f"[ ] {step['number']}. {step['title']}")
        for caution in step["cautions"]:
            print_wrapped(caution, "      ! ")
        for action in step["actions"]:
            print_wrapped(action, "      - ")
        figures = "   ".join(f"{f['label']}: {f['text']}" for f in step["figures"])
        if figures:
            print_wrapped(figures, "      = ")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(sys.argv[1])
    else:
        with served() as own:
            main(own)
