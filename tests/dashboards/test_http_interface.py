"""The interface for gateways, over real HTTP; every answer is held against its description."""

from __future__ import annotations

import hashlib
import http.client
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Barrier, Thread
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from waitress.server import create_server

from dashboards.app import make_app
from dashboards.http_document import MOST_MESSAGE_BYTES, OPERATIONS, ROOT, interface_document
from dashboards.http_guard import MOST_FAILURES, WITHIN_S, FailureLimit
from dosetrack.entry.messages import INJECTION, READING, checked_message
from dosetrack.errors import InputError, LedgerError
from dosetrack.records.entries import Injection
from dosetrack.records.people import Actor, Role
from dosetrack.workflow import Workflow, open_workflow
from tests.dashboards.conftest import ROOM, SteppedClock, opening
from tests.workflow.invented import dose_report, event

ADMINISTRATOR = Actor("Invented Administrator", Role.ADMINISTRATOR)
JSON = "application/json"
DOCUMENT = interface_document()


@dataclass(frozen=True)
class Answer:
    status: int
    body: Any
    headers: dict[str, str]


@dataclass(frozen=True)
class Client:
    """Speaks HTTP/1.1 to the server, one connection a request."""

    port: int
    token: str | None = None

    def ask(
        self, method: str, path: str, body: bytes | None = None, *, kind: str = JSON, **headers: str
    ) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        sent = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        if body is not None:
            sent["Content-Type"] = kind
        try:
            connection.request(method, f"{ROOT}{path}", body, sent | headers)
            got = connection.getresponse()
            text = got.read()
            assert got.headers["Content-Type"] == JSON, text[:200]
            answer = Answer(got.status, json.loads(text), dict(got.headers))
        finally:
            connection.close()
        require_described(method, path, answer)
        return answer

    def post(self, path: str, **message: Any) -> Answer:
        return self.ask("POST", path, json.dumps(message).encode())

    def get(self, path: str) -> Answer:
        return self.ask("GET", path)


def require_described(method: str, path: str, answer: Answer) -> None:
    """The answer is one that the description tells for the operation, and its body fits."""
    schema = "Refused"
    described = DOCUMENT["paths"].get(f"{ROOT}{path}", {}).get(method.lower())
    if described is not None:
        content = described["responses"][str(answer.status)]["content"]
        schema = content[JSON]["schema"]["$ref"].rpartition("/")[2]
    whole = {"$ref": f"#/components/schemas/{schema}", "components": DOCUMENT["components"]}
    Draft202012Validator(whole).validate(answer.body)


@contextmanager
def serving(workflow: Workflow, clock: SteppedClock) -> Iterator[int]:
    """The pages' server in a thread; the port it listens on."""
    app = make_app(workflow, clock=clock).server
    server = create_server(app, host="127.0.0.1", port=0, threads=4, asyncore_loop_timeout=0.02)
    thread = Thread(target=server.run, daemon=True)
    thread.start()
    yield int(server.effective_port)
    server.task_dispatcher.shutdown()
    server.trigger.pull_trigger(server.close)  # in the server's own thread
    thread.join(timeout=10)
    assert not thread.is_alive()


@pytest.fixture
def port(workflow: Workflow, clock: SteppedClock) -> Iterator[int]:
    with serving(workflow, clock) as listening:
        yield listening


@dataclass(frozen=True)
class Room:
    """A running case that refused messages leave as it is, so that many tests share it."""

    gateway: Client
    workflow: Workflow
    case_id: str


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    clock = SteppedClock()
    url = f"sqlite:///{tmp_path_factory.mktemp('untouched') / 'ledger.db'}"
    workflow = open_workflow(url, create=True, clock=clock)
    case_id = workflow.open_case(opening(), actor=ADMINISTRATOR).case_id
    assert case_id is not None
    with serving(workflow, clock) as listening:
        yield Room(Client(listening, granted(workflow)), workflow, case_id)
    workflow.ledger.close()


def granted(workflow: Workflow, *, name: str = "Console gateway", room: str = ROOM, **more: bool) -> str:
    token = f"invented-token-of-{name.replace(' ', '-')}"
    workflow.grant_access(
        name=name,
        room=room,
        token_sha256=hashlib.sha256(token.encode()).hexdigest(),
        actor=ADMINISTRATOR,
        **more,
    )
    return token


@pytest.fixture
def gateway(port: int, workflow: Workflow) -> Client:
    return Client(port, granted(workflow))


def kerma(workflow: Workflow, case_id: str) -> float | None:
    plane = workflow.case_view(case_id).radiation.worst_plane
    return plane.reference_air_kerma_mgy.typed if plane else None


# what is recorded ------------------------------------------------------------------------


def test_a_reading_is_in_the_ledger_when_success_is_answered(
    gateway: Client, workflow: Workflow, case_id: str
) -> None:
    answer = gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=12.5, fluoroscopy_time="1:30")
    assert answer.status == 201
    (reading,) = workflow.case_view(case_id).case.readings
    assert (reading.value.reference_air_kerma_mgy, reading.value.fluoroscopy_time_s) == (12.5, 90)
    assert (reading.entry_id, reading.by.name, reading.by.role) == (
        answer.body["entry_id"],
        "Console gateway",
        Role.ROOM,
    )


@pytest.mark.parametrize(
    ("message", "gycm2"),
    [
        ({"dose_area_product_gycm2": 9.82}, 9.82),
        ({"dose_area_product": "982 cGy·cm²"}, 9.82),  # 1 Gy·cm² is 100 cGy·cm²
        ({"dose_area_product": "982 uGy.m2"}, 9.82),  # 1 µGy·m² is 1 cGy·cm²
        ({"dose_area_product": "98,2 dGycm2"}, 9.82),
    ],
)
def test_units_are_read_at_the_edge(
    gateway: Client, workflow: Workflow, case_id: str, message: dict[str, Any], gycm2: float
) -> None:
    assert gateway.post("/readings", message_id="r1", **message).status == 201
    (reading,) = workflow.case_view(case_id).case.readings
    assert reading.value.dose_area_product_gycm2 == pytest.approx(gycm2, rel=1e-12)


def test_an_injection_takes_product_and_site_of_the_form(
    gateway: Client, workflow: Workflow, case_id: str
) -> None:
    assert gateway.post("/injections", message_id="i1", volume="12 mL", dilution="50 %").status == 201
    (given,) = workflow.case_view(case_id).case.injections
    assert given.value == Injection(
        12.0, 320.0, contrast_fraction=0.5, site=opening().injection_site, from_injector=True
    )


def test_a_reading_past_a_level_tells_the_prompt_at_once(
    gateway: Client, workflow: Workflow, case_id: str
) -> None:
    gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=20)
    answer = gateway.post("/readings", message_id="r2", reference_air_kerma_mgy=3100)
    (prompt,) = answer.body["prompts"]
    assert "3 Gy" in prompt["headline"]
    assert gateway.get("/case").body["case"]["prompts"] == [prompt]


def test_the_time_is_taken_in_the_zone_of_the_room(
    gateway: Client, workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    clock.pass_minutes(10)
    for number, text in enumerate(["2026-11-25T09:15:00", "2026-11-25T10:16:00+01:00"]):
        answer = gateway.post(
            "/readings", message_id=f"r{number}", happened_at=text, reference_air_kerma_mgy=5 + number
        )
        assert answer.status == 201
    times = [s.at.strftime("%H:%M") for s in workflow.case_view(case_id).case.readings]
    assert times == ["09:15", "09:16"]


# sent again ------------------------------------------------------------------------------


def test_the_same_message_again_adds_nothing(gateway: Client, workflow: Workflow, case_id: str) -> None:
    first = gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    position = workflow.position()
    again = gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    assert (first.status, again.status) == (201, 200)
    assert again.body["entry_id"] == first.body["entry_id"]
    assert workflow.position() == position


@pytest.mark.parametrize(
    "other",
    [
        {"reference_air_kerma_mgy": 6},
        {"reference_air_kerma_mgy": 5, "plane": "a"},
        {"reference_air_kerma_mgy": 5, "happened_at": "2026-11-25T09:00:00+00:00"},
    ],
    ids=["number", "plane", "time"],
)
def test_other_content_under_the_same_id_is_refused(
    gateway: Client, workflow: Workflow, case_id: str, other: dict[str, Any]
) -> None:
    gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    answer = gateway.post("/readings", message_id="r1", **other)
    assert (answer.status, answer.body["field"]) == (409, "message_id")
    assert kerma(workflow, case_id) == 5


def test_two_senders_with_the_same_ids_do_not_meet(port: int, workflow: Workflow, case_id: str) -> None:
    one = Client(port, granted(workflow, name="Console gateway"))
    other = Client(port, granted(workflow, name="Pump gateway"))
    assert one.post("/injections", message_id="1", volume_ml=5).status == 201
    assert other.post("/injections", message_id="1", volume_ml=7).status == 201
    assert [s.value.volume_ml for s in workflow.case_view(case_id).case.injections] == [5, 7]


def test_parallel_senders_of_the_same_messages_record_each_once(
    gateway: Client, workflow: Workflow, case_id: str
) -> None:
    start = Barrier(2)

    def send(_: int) -> list[int]:
        start.wait()
        return [gateway.post("/injections", message_id=f"i{n}", volume_ml=5 + n).status for n in range(10)]

    with ThreadPoolExecutor(2) as pool:
        statuses = list(pool.map(send, range(2)))
    for pair in zip(*statuses, strict=True):
        assert sorted(pair) == [200, 201]
    given = [s.value.volume_ml for s in workflow.case_view(case_id).case.injections]
    assert sorted(given) == [5.0 + n for n in range(10)]


# refusals --------------------------------------------------------------------------------

GOOD = b'{"message_id": "r1", "reference_air_kerma_mgy": 5}'
REFUSED: dict[str, tuple[str, str, bytes | None, str, int, str | None]] = {
    "no JSON": ("POST", "/readings", b"Ka,r 5 mGy", JSON, 400, None),
    "not UTF-8": ("POST", "/readings", b'{"message_id": "\xff"}', JSON, 400, None),
    "NaN": ("POST", "/readings", b'{"message_id": "r1", "reference_air_kerma_mgy": NaN}', JSON, 400, None),
    "infinite": ("POST", "/readings", GOOD.replace(b"5}", b"-Infinity}"), JSON, 400, None),
    "beyond doubles": (
        "POST", "/readings", GOOD.replace(b"5}", b"1e999}"), JSON, 422, "reference_air_kerma_mgy",
    ),
    "5000 digits": ("POST", "/readings", GOOD.replace(b"5}", b"9" * 5000 + b"}"), JSON, 400, None),
    "nested": ("POST", "/readings", b"[" * 60_000, JSON, 400, None),
    "key twice": ("POST", "/readings", GOOD.replace(b"}", b', "message_id": "r2"}'), JSON, 400, None),
    "a list": ("POST", "/readings", b"[1]", JSON, 422, "message"),
    "no id": ("POST", "/readings", b'{"reference_air_kerma_mgy": 5}', JSON, 422, "message_id"),
    "id with a slash": ("POST", "/readings", GOOD.replace(b"r1", b"r/1"), JSON, 422, "message_id"),
    "empty id": ("POST", "/readings", GOOD.replace(b"r1", b""), JSON, 422, "message_id"),
    "unknown key": (
        "POST", "/readings", GOOD.replace(b"_mgy", b"_gy"), JSON, 422, "reference_air_kerma_gy",
    ),
    "number as text": (
        "POST", "/readings", GOOD.replace(b"5}", b'"5"}'), JSON, 422, "reference_air_kerma_mgy",
    ),
    "a truth as number": (
        "POST", "/readings", GOOD.replace(b"5}", b"true}"), JSON, 422, "reference_air_kerma_mgy",
    ),
    "null": ("POST", "/readings", GOOD.replace(b"5}", b"null}"), JSON, 422, "reference_air_kerma_mgy"),
    "negative": ("POST", "/readings", GOOD.replace(b"5}", b"-5}"), JSON, 422, "reference_air_kerma_mgy"),
    "impossible": (
        "POST", "/readings", GOOD.replace(b"5}", b"200000}"), JSON, 422, "reference_air_kerma_mgy",
    ),
    "no unit": (
        "POST", "/readings", b'{"message_id": "r1", "reference_air_kerma": "5"}', JSON, 422,
        "reference_air_kerma",
    ),
    "wrong unit": (
        "POST", "/readings", b'{"message_id": "r1", "reference_air_kerma": "5 mL"}', JSON, 422,
        "reference_air_kerma",
    ),
    "both forms": (
        "POST", "/readings", GOOD.replace(b"}", b', "reference_air_kerma": "5 mGy"}'), JSON, 422,
        "reference_air_kerma_mgy",
    ),
    "no quantity": ("POST", "/readings", b'{"message_id": "r1"}', JSON, 422, "reference_air_kerma"),
    "no plane": ("POST", "/readings", GOOD.replace(b"}", b', "plane": "c"}'), JSON, 422, "plane"),
    "no time": (
        "POST", "/readings", GOOD.replace(b"}", b', "happened_at": "10:41"}'), JSON, 422, "happened_at",
    ),
    "day only": (
        "POST", "/readings", GOOD.replace(b"}", b', "happened_at": "2026-11-25"}'), JSON, 422, "happened_at",
    ),
    "in the future": (
        "POST", "/readings", GOOD.replace(b"}", b', "happened_at": "2026-11-25T09:15:00+00:00"}'), JSON, 422,
        "happened_at",
    ),
    "another room": ("POST", "/readings", GOOD.replace(b"}", b', "room": "Room 3"}'), JSON, 403, "room"),
    "half a letter": ("POST", "/readings", GOOD.replace(b"}", b', "room": "\\ud800"}'), JSON, 422, "room"),
    "no volume": ("POST", "/injections", b'{"message_id": "i1", "site": "venous"}', JSON, 422, "volume"),
    "volume 0": ("POST", "/injections", b'{"message_id": "i1", "volume_ml": 0}', JSON, 422, "volume_ml"),
    "oral product": (
        "POST", "/injections", b'{"message_id": "i1", "volume_ml": 5, "concentration_mgi_ml": 9}', JSON, 422,
        "concentration_mgi_ml",
    ),
    "gas with iodine": (
        "POST", "/injections",
        b'{"message_id": "i1", "volume_ml": 5, "agent": "carbon dioxide", "concentration": "320 mg/mL"}',
        JSON, 422, "concentration",
    ),
    "two mixtures": (
        "POST", "/injections", b'{"message_id": "i1", "volume_ml": 5, "dilution": "1:2"}', JSON, 422,
        "dilution",
    ),
    "form data": ("POST", "/readings", b"message_id=r1", "application/x-www-form-urlencoded", 415, None),
    "report as JSON": ("POST", "/dose-reports", GOOD, JSON, 415, None),
    "no report": ("POST", "/dose-reports", b"Ka,r 5 mGy", "application/dicom", 422, None),
    "empty report": ("POST", "/dose-reports", b"", "application/dicom", 422, None),
    "oversized": ("POST", "/readings", b" " * (MOST_MESSAGE_BYTES + 1), JSON, 413, None),
    "not here": ("GET", "/elsewhere", None, JSON, 404, None),
    "root": ("GET", "/", None, JSON, 404, None),
    "wrong method": ("DELETE", "/case", None, JSON, 405, None),
    "read by post": ("GET", "/readings", None, JSON, 405, None),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_used_is_refused_and_changes_no_case(untouched: Room, what: str) -> None:
    method, path, body, kind, status, field = REFUSED[what]
    before = untouched.workflow.case_view(untouched.case_id).timeline
    answer = untouched.gateway.ask(method, path, body, kind=kind)
    assert (answer.status, answer.body["field"]) == (status, field)
    assert len(answer.body["error"]) > 10
    assert "Traceback" not in answer.body["error"]
    assert untouched.workflow.case_view(untouched.case_id).timeline == before


def test_a_body_beyond_the_most_is_refused_for_reports_too(
    gateway: Client, workflow: Workflow, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.http_document.MOST_REPORT_BYTES", 1000)
    answer = gateway.ask("POST", "/dose-reports", bytes(1001), kind="application/dicom")
    assert answer.status == 413
    assert "1000" in answer.body["error"]


def test_a_ledger_that_cannot_be_written_asks_to_send_again(
    gateway: Client, workflow: Workflow, case_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise LedgerError("the ledger cannot be written: disk full")

    monkeypatch.setattr(workflow, "feed", refuse)
    answer = gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    assert (answer.status, answer.headers["Retry-After"]) == (503, "2")


# what a person must decide ---------------------------------------------------------------


def test_a_lower_reading_is_held_and_asked_about(gateway: Client, workflow: Workflow, case_id: str) -> None:
    gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=20)
    gateway.post("/readings", message_id="r2", reference_air_kerma="5.1 Gy")
    answer = gateway.post("/readings", message_id="r3", reference_air_kerma="4.2 Gy")
    assert answer.status == 422
    assert [question["kind"] for question in answer.body["questions"]] == ["reset"]
    assert kerma(workflow, case_id) == 5100
    view = workflow.case_view(case_id)
    assert "machine-entry-waits" in [finding.code for finding in view.findings]
    (waiting,) = gateway.get("/case").body["waiting"]
    assert waiting["entry_id"] == answer.body["held_as"]
    workflow.answer_held(answer.body["held_as"], "began again", actor=ADMINISTRATOR)
    assert kerma(workflow, case_id) == 9300
    again = gateway.post("/readings", message_id="r3", reference_air_kerma="4.2 Gy")
    assert (again.status, again.body["is_new"]) == (200, False)


def test_without_a_case_a_reading_is_refused_and_an_injection_held(
    gateway: Client, workflow: Workflow
) -> None:
    reading = gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    injection = gateway.post("/injections", message_id="i1", volume_ml=5)
    assert (reading.status, reading.body["held_as"]) == (409, None)
    assert injection.status == 409
    assert workflow.running_cases() == ()
    assert [held.entry_id for held in workflow.held_in_room(ROOM)] == [injection.body["held_as"]]


# access ----------------------------------------------------------------------------------


@pytest.mark.parametrize("token", [None, "wrong", "", "a b", "ü"])
def test_without_a_token_in_force_nothing_is_told(port: int, gateway: Client, token: str | None) -> None:
    client = Client(port)
    headers = {} if token is None else {"Authorization": f"Bearer {token}".encode().decode("latin-1")}
    for operation in OPERATIONS:
        if operation.needs_token:
            answer = client.ask(
                operation.method, operation.path, b"{}" if operation.form else None, **headers
            )
            assert answer.status == 401
            assert answer.headers["Www-Authenticate"] == "Bearer"  # as the server spells it


def test_other_ways_to_show_a_token_are_none(gateway: Client, port: int) -> None:
    shown = gateway.token or ""
    assert Client(port).ask("GET", f"/case?token={shown}").status == 401
    assert Client(port).ask("GET", "/case", Authorization=f"Basic {shown}").status == 401
    assert Client(port).ask("GET", "/case", Cookie=f"token={shown}").status == 401


def test_a_token_withdrawn_elsewhere_ends_at_once(
    gateway: Client, workflow: Workflow, tmp_path: Path
) -> None:
    assert gateway.get("/case").status == 200
    other = open_workflow(f"sqlite:///{tmp_path / 'ledger.db'}")
    other.withdraw_access("Console gateway", actor=ADMINISTRATOR, reason="replaced")
    other.ledger.close()
    assert gateway.get("/case").status == 401
    assert gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5).status == 401
    assert workflow.grants() == ()


def test_only_the_digest_of_a_token_is_kept(gateway: Client, tmp_path: Path) -> None:
    assert gateway.token is not None
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("ledger.db*"))
    assert hashlib.sha256(gateway.token.encode()).hexdigest().encode() in kept
    assert gateway.token.encode() not in kept


def test_a_token_feeds_and_sees_its_own_room_alone(port: int, workflow: Workflow, case_id: str) -> None:
    other = Client(port, granted(workflow, name="Other gateway", room="Room 3"))
    assert other.get("/case").body["case"] is None
    assert other.post("/readings", message_id="r1", reference_air_kerma_mgy=5).status == 409
    assert workflow.case_view(case_id).case.readings == ()


def test_the_patient_is_told_only_where_it_was_granted(port: int, workflow: Workflow, case_id: str) -> None:
    plain = Client(port, granted(workflow))
    trusted = Client(port, granted(workflow, name="Chart gateway", sees_patient=True))
    patient = opening().patient
    told = json.dumps(plain.get("/case").body)
    assert "patient" not in plain.get("/case").body["case"]
    for part in (patient.id, patient.name, "Moreira", patient.birth_date):
        assert str(part) not in told
    assert trusted.get("/case").body["case"]["patient"] == {"id": patient.id, "name": patient.name}


def test_many_wrong_tokens_are_told_to_wait_and_a_right_one_passes(port: int, gateway: Client) -> None:
    wrong = Client(port, "wrong")
    statuses = [wrong.get("/case").status for _ in range(MOST_FAILURES + 2)]
    assert statuses == [401] * MOST_FAILURES + [429] * 2
    assert 0 < int(wrong.get("/case").headers["Retry-After"]) <= WITHIN_S
    assert gateway.get("/case").status == 200


def test_failures_are_forgotten_after_a_minute_and_counted_by_address() -> None:
    now = [0.0]
    limit = FailureLimit(lambda: now[0])
    assert [limit.wait_s("10.0.0.1") for _ in range(MOST_FAILURES)] == [0] * MOST_FAILURES
    now[0] = 20.0
    assert limit.wait_s("10.0.0.1") == WITHIN_S - 20
    assert limit.wait_s("10.0.0.2") == 0
    now[0] = WITHIN_S
    assert limit.wait_s("10.0.0.1") == 0


def test_a_page_of_another_site_can_do_nothing(port: int, gateway: Client) -> None:
    answer = Client(port).ask("POST", "/readings", GOOD, Origin="https://elsewhere.invalid", Cookie="a=b")
    assert answer.status == 401
    assert "Access-Control-Allow-Origin" not in answer.headers
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Set-Cookie" not in answer.headers


# dose reports ----------------------------------------------------------------------------


def test_a_dose_report_is_held_when_success_is_answered(gateway: Client, workflow: Workflow) -> None:
    data = dose_report("one", [event(1)], station="XA2")
    first = gateway.ask("POST", "/dose-reports", data, kind="application/dicom")
    again = gateway.ask("POST", "/dose-reports", data, kind="application/octet-stream")
    assert (first.status, again.status) == (201, 200)
    assert first.body["case_id"] == again.body["case_id"]
    with workflow.ledger.reading() as reader:
        assert reader.original(hashlib.sha256(data).hexdigest()) == data


def test_what_cannot_be_read_is_kept_in_quarantine(gateway: Client, workflow: Workflow) -> None:
    data = dose_report("one", [event(1)])[:-40]
    assert gateway.ask("POST", "/dose-reports", data, kind="application/dicom").status == 422
    with workflow.ledger.reading() as reader:
        assert reader.original(hashlib.sha256(data).hexdigest()) == data
        assert len(reader.entries(kinds=["file-quarantined"])) == 1


def test_a_report_of_another_room_is_refused_and_not_kept(gateway: Client, workflow: Workflow) -> None:
    data = dose_report("one", [event(1)], station="XA3")  # stands in Room 3 by the settings
    answer = gateway.ask("POST", "/dose-reports", data, kind="application/dicom")
    assert answer.status == 403
    assert "Room 3" in answer.body["error"]
    assert workflow.cases() == ()


# the running case and the state ----------------------------------------------------------


def test_the_case_tells_the_age_of_each_feed(
    gateway: Client, workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    granted(workflow, name="Pump gateway")
    gateway.post("/readings", message_id="r1", reference_air_kerma_mgy=5)
    clock.pass_minutes(2)
    workflow.record(case_id, Injection(5, 320), actor=Actor("Ines (invented)", Role.ROOM, is_claimed=True))
    feeds = {feed["name"]: feed for feed in gateway.get("/case").body["case"]["feeds"]}
    assert feeds["Console gateway"]["kind"] == "console gateway"
    assert feeds["Console gateway"]["last_at"].startswith("2026-11-25T09:12")
    assert feeds["Ines (invented)"] == {
        "kind": "typed", "name": "Ines (invented)", "last_at": "2026-11-25T09:14:00.000+00:00",
    }  # fmt: skip
    assert feeds["Pump gateway"] == {"kind": "gateway", "name": "Pump gateway", "last_at": None}


def test_the_state_needs_no_token_and_tells_the_room_with_one(
    gateway: Client, port: int, case_id: str
) -> None:
    without = Client(port).get("/state")
    assert without.body == {"ledger": "reachable", "now": "2026-11-25T09:12:00.000+00:00"}
    assert gateway.get("/state").body["is_case_running"] is True
    assert Client(port, "wrong").get("/state").status == 401


# the description -------------------------------------------------------------------------


def test_the_description_is_openapi_by_another_hand(port: int) -> None:
    served = Client(port).get("/openapi.json").body
    assert served == json.loads(json.dumps(interface_document()))
    validate(served, cls=OpenAPIV31SpecValidator)


MESSAGES: list[tuple[Any, dict[str, Any]]] = [
    (READING, {"message_id": "1", "reference_air_kerma_mgy": 5}),
    (READING, {"message_id": "1", "reference_air_kerma": "5 mGy", "plane": "b", "room": "Room 2"}),
    (READING, {"message_id": "1", "reference_air_kerma": "5 mGy", "reference_air_kerma_mgy": 5}),
    (READING, {"message_id": "1"}),
    (READING, {"reference_air_kerma_mgy": 5}),
    (READING, {"message_id": "1/2", "reference_air_kerma_mgy": 5}),
    (READING, {"message_id": "1", "reference_air_kerma_mgy": -5}),
    (READING, {"message_id": "1", "reference_air_kerma_mgy": "5"}),
    (READING, {"message_id": "1", "reference_air_kerma_mgy": True}),
    (READING, {"message_id": "1", "reference_air_kerma_mgy": None}),
    (READING, {"message_id": "1", "fluoroscopy_time_s": 0, "plane": "c"}),
    (READING, {"message_id": "1", "fluoroscopy_time": "x" * 201}),
    (READING, {"message_id": "1", "fluoroscopy_time": "", "dose_area_product_gycm2": 0}),
    (READING, {"message_id": "1", "kerma": 5, "reference_air_kerma_mgy": 5}),
    (INJECTION, {"message_id": "1", "volume": "5 mL", "site": "venous", "agent": "saline"}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "contrast_fraction": 0.5, "from_injector": False}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "contrast_fraction": 0.5, "dilution": "50 %"}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "contrast_fraction": 0}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "contrast_fraction": 1.01}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "from_injector": 1}),
    (INJECTION, {"message_id": "1", "volume_ml": 5, "agent": "water"}),
    (INJECTION, {"message_id": "1", "concentration_mgi_ml": 320}),
]


@pytest.mark.parametrize(("form", "message"), MESSAGES)
def test_the_description_accepts_what_the_check_accepts(form: Any, message: dict[str, Any]) -> None:
    schema = DOCUMENT["components"]["schemas"][form.name]
    try:
        checked_message(form, message)
        is_accepted = True
    except InputError:
        is_accepted = False
    assert Draft202012Validator(schema).is_valid(message) is is_accepted


def test_every_example_of_the_description_is_accepted() -> None:
    for form in (READING, INJECTION):
        for field in form.fields:
            needed: dict[str, Any] = {"message_id": "1", field.name: field.example}
            quantity = form.field(form.one_of[0])
            if field.name not in (quantity.name, quantity.same_as):
                needed[quantity.name] = quantity.example
            checked_message(form, needed)


def test_every_operation_is_described_and_nothing_else(workflow: Workflow) -> None:
    rules = {
        (method, rule.rule)
        for rule in make_app(workflow).server.url_map.iter_rules()
        if rule.endpoint.startswith("http_interface.") and not rule.endpoint.endswith(".nothing")
        for method in rule.methods or set()
        if method not in ("HEAD", "OPTIONS")
    }
    described = {(method.upper(), path) for path, methods in DOCUMENT["paths"].items() for method in methods}
    assert rules == described
