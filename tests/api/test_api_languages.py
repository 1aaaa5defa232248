"""Accept-Language over the app: which language is chosen (RFC 4647, 3.4), and where it is told."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from specification import Operation, operations

from service.api import developed_length_batch, mark_layout
from service.web import texts

LAYOUT = "/v1/mark-layout"
# What these answer with is written in English only, for machines and for those who run the service.
ENGLISH = {"getDocumentation", "getSpecification", "getLiveness", "getReadiness", "getMetrics"}
TRANSLATED = [operation for operation in operations() if operation.id not in ENGLISH]


def ask(client: FlaskClient, operation: Operation, **headers: str) -> Any:
    sent: dict[str, Any] = {"json": operation.example()} if operation.body else {}
    return client.open(
        operation.path,
        method=operation.method,
        query_string=operation.query(),
        headers=headers,
        **sent,
    )


@pytest.mark.parametrize(
    ("header", "chosen"),
    [
        (None, "en"),
        ("", "en"),
        ("de", "de"),
        ("DE", "de"),
        ("de-AT", "de"),
        ("de-CH-1996", "de"),
        ("en", "en"),
        ("en-GB,de;q=0.9", "en"),
        ("de;q=0.9,en;q=0.8", "de"),
        ("de;q=0.8,en;q=0.9", "en"),
        ("fr,de;q=0.5", "de"),
        ("fr", "en"),
        ("fr,*;q=0.5", "en"),
        ("de;q=0", "en"),
        ("*", "en"),
        ("de;q=0, *", "en"),
        ("fr;q=0.9, de-DE;q=0.4, en-US;q=0.3", "de"),
        ("nonsense;;q=x", "en"),
        (";", "en"),
        (",".join(["fr"] * 200 + ["de"]), "de"),
    ],
)
def test_the_language_that_is_chosen(client: FlaskClient, header: str | None, chosen: str) -> None:
    headers = {} if header is None else {"Accept-Language": header}
    response = client.post(LAYOUT, json=mark_layout.EXAMPLE, headers=headers)
    assert response.headers["Content-Language"] == chosen
    first = response.get_json()["cautions"][0]
    assert first == texts.text("cautions", "pressure", chosen)


@pytest.mark.parametrize("operation", TRANSLATED, ids=lambda o: o.id)
def test_every_answer_is_negotiated_and_says_so(client: FlaskClient, operation: Operation) -> None:
    answers = {}
    for language in texts.LANGUAGES:
        response = ask(client, operation, **{"Accept-Language": language})
        assert response.status_code == 200, response.get_data(as_text=True)
        assert response.headers["Content-Language"] == language
        assert "accept-language" in response.headers["Vary"].lower()
        answers[language] = response.get_json()
    if operation.id != "listMethods":  # formulas and titles of methods are English
        assert answers["en"] != answers["de"]


@pytest.mark.parametrize("operation", list(operations()), ids=lambda o: o.id)
@pytest.mark.parametrize("language", texts.LANGUAGES)
def test_every_refusal_is_negotiated(
    client: FlaskClient, operation: Operation, language: str
) -> None:
    headers = {"Accept-Language": language}
    refused = client.open(operation.path, method="PATCH", headers=headers)
    assert refused.status_code == 405
    assert refused.headers["Content-Language"] == language
    assert "Accept-Language" in refused.headers["Vary"]
    assert refused.get_json()["title"] == texts.text("titles", "405", language)


def test_numbers_of_json_stay_as_json_has_them(client: FlaskClient) -> None:
    def answer(language: str) -> Any:
        response = client.post(
            LAYOUT, json=mark_layout.EXAMPLE, headers={"Accept-Language": language}
        )
        return response.get_json()["result"]

    english, german = answer("en"), answer("de")
    label = german["bends"][1]["start"]["label"]
    assert label == english["bends"][1]["start"]["label"].replace(".", ",") != ""
    assert json.loads(json.dumps(german).replace(",5 mm", ".5 mm")) == english


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (
            {"tube": 1},
            "run fehlt. Zu senden: ein Objekt mit 'bends' oder ein Objekt mit 'vertices'.",
        ),
        ({**mark_layout.EXAMPLE, "stretch": 0.25}, "stretch ist 0,25; erlaubt: 0 bis 0,2."),
        (
            {**mark_layout.EXAMPLE, "tube": {"outside_diameter": 15, "wall_thickness": 7.5}},
            "Die Wand ist 7,5 mm; sie muss unter dem halben Außendurchmesser liegen, 7,5 mm.",
        ),
        ({**mark_layout.EXAMPLE, "ends": []}, "gesendet: eine Liste mit 0 Einträgen."),
        # what is no number as sent stays as JSON has it
        ({**mark_layout.EXAMPLE, "stretch": "0.1"}, 'gesendet: "0.1". Erlaubt: 0 bis 0,2.'),
        (
            {**mark_layout.EXAMPLE, "measured_from": 1.5},
            "gesendet: 1.5. Erlaubt: eines von end_1, end_2.",
        ),
        ({**mark_layout.EXAMPLE, "units": None}, "weglassen oder senden: eines von metric, inch."),
        ({**mark_layout.EXAMPLE, "springback": [None]}, "springback[0] darf nicht null sein;"),
        ([], "Der Inhalt muss sein: ein Objekt mit units, "),
    ],
)
def test_a_refusal_in_german(client: FlaskClient, body: Any, said: str) -> None:
    # numbers in a sentence have a comma, values of the JSON document never
    refused = client.post(LAYOUT, json=body, headers={"Accept-Language": "de"}).get_json()
    assert any(said in entry["detail"] for entry in refused["errors"]), refused
    assert refused["title"] == "Anfrage abgelehnt"


def test_a_stream_is_german_to_its_end(client: FlaskClient) -> None:
    lines = b'{"run": {"bends": []}}\n{\n'
    response = client.post(
        "/v1/developed-length/batch",
        data=lines,
        headers={"Content-Type": developed_length_batch.NDJSON, "Accept-Language": "de"},
    )
    assert response.headers["Content-Language"] == "de"
    told = [json.loads(line)["problems"][0]["detail"] for line in response.data.splitlines()]
    assert "fehlt" in told[0]
    assert told[1].startswith("Der Inhalt ist kein gültiges JSON")


def test_a_listing_is_kept_apart_by_language(client: FlaskClient) -> None:
    def tag(language: str) -> Any:
        return client.get("/v1/dies", headers={"Accept-Language": language}).headers["ETag"]

    assert tag("de") != tag("en")
    known = {"Accept-Language": "de", "If-None-Match": tag("en")}
    assert client.get("/v1/dies", headers=known).status_code == 200


def test_pages_for_machines_are_english(client: FlaskClient) -> None:
    for path in ("/docs", "/openapi.json"):
        response = client.get(path, headers={"Accept-Language": "de"})
        assert response.headers["Content-Language"] == "en"


def test_outside_a_request_it_is_english() -> None:
    assert texts.language() == "en"
