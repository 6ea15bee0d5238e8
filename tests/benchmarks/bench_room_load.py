"""Rooms under load: from a gateway's reading to every screen of its room, on one `dosetrack serve`.

    python tests/benchmarks/bench_room_load.py [--short] [--profile] [--hours-before 1]

20 gateways post a reading a second each over the HTTP interface. 60 screens, two in the hand and one on the
wall of each room, ask as a browser does: the pulse twice a second, the page's own callbacks when it tells of
something new. One of them is a real browser. It prints what it measured and never decides a test.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import quote

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from dosetrack.records.entries import (  # noqa: E402
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
)
from dosetrack.records.people import Actor, Role  # noqa: E402
from dosetrack.records.report import Patient  # noqa: E402
from dosetrack.workflow import TypedEntry, open_workflow  # noqa: E402

NURSE = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
FIRST_MGY, STEP_MGY = 2700, 10
"""Past the level of 3 Gy during the run, so that prompts come up too; steps the hand view tells apart."""
SCREENS_OF_A_ROOM = ("hand", "hand", "wall")
PULSE_S, AGES_S = 0.5, 5.0
TICKS = {"identity-tick": 15.0, "room-skin-tick": 15.0}
"""Other ticks of the hand view and their intervals [s]."""
_SAMPLER = """
import sys, threading, time, traceback, collections, atexit
seen = collections.Counter()
def look():
    me = threading.get_ident()
    while True:
        time.sleep(0.005)
        for thread, frame in sys._current_frames().items():
            if thread == me: continue
            stack, top = [], frame
            while frame:
                stack.append(f"{frame.f_code.co_filename.split('site-packages/')[-1]}:{frame.f_code.co_name}")
                frame = frame.f_back
            if stack[0].endswith((":wait", ":select", ":accept", ":poll")): continue
            for name in set(stack): seen[name] += 1
def tell():
    for name, times in seen.most_common(70): print(f"{times:6d} {name}", file=sys.stderr)
threading.Thread(target=look, daemon=True).start()
atexit.register(tell)
import signal
def end(*_): raise KeyboardInterrupt
signal.signal(signal.SIGINT, end)
from dosetrack.cli import main
main()
"""


@dataclass(slots=True)
class Shared:
    """What senders tell screens, and what both found out. Appending to a list is one step for threads."""

    posted: dict[str, list[tuple[float, float]]]
    answered: list[int] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    post_s: list[float] = field(default_factory=list)
    waits: list[tuple[str, float]] = field(default_factory=list)
    callbacks: list[float] = field(default_factory=list)
    pulses: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def prepared(url: str, rooms: list[str], *, hours_before: float) -> dict[str, str]:
    """A ledger with a running case in each room; the token of each room's gateway."""
    workflow = open_workflow(url, create=True)
    tokens = {}
    begin = datetime.now(UTC) - timedelta(hours=hours_before, minutes=1)
    for number, room in enumerate(rooms):
        patient = Patient(
            id=f"3004{number:04d}", name="Moreira^Olga", sex="F", birth_date="1955-03-02", weight_kg=58.0,
            height_cm=160.0,
        )  # fmt: skip
        opening = CaseOpened(
            room=room, patient=patient, procedure="TIPS creation", operators=("Dr Almeida",),
            concentration_mgi_ml=320.0, injection_site=InjectionSite.SECOND_PASS,
        )  # fmt: skip
        case = workflow.open_case(opening, actor=NURSE, happened_at=begin).case_id
        assert case is not None
        seconds = max(1, int(hours_before * 3600))
        part = FIRST_MGY / seconds
        entries = [
            TypedEntry(ConsoleReading("single", part * s, part * s / 20, s / 2), begin + timedelta(seconds=s))
            for s in range(1, seconds + 1)
        ]
        creatinine = TypedEntry(Creatinine("1.00", "mg/dL", begin.date().isoformat()), begin)
        given = TypedEntry(
            Injection(20.0, 320.0, site=InjectionSite.SECOND_PASS), begin + timedelta(seconds=2)
        )
        workflow.import_entries(case, [creatinine, given, *entries], actor=NURSE)
        tokens[room] = f"invented-token-{number}-" + "x" * 30
        workflow.grant_access(
            name=f"Gateway {number}", room=room, token_sha256=sha256(tokens[room].encode()).hexdigest(),
            actor=NURSE,
        )  # fmt: skip
    workflow.ledger.close()
    return tokens


def send(
    port: int, room: str, token: str, shared: Shared, *, seconds: int, begin: float, base_s: float
) -> None:
    """A gateway: one reading a second, each a little higher."""
    connection = HTTPConnection("127.0.0.1", port, timeout=30)
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    for number in range(1, seconds + 1):
        time.sleep(max(0.0, begin + number - 1 - time.monotonic()))
        kerma = FIRST_MGY + STEP_MGY * number
        message = {
            "message_id": f"m{number}",
            "plane": "single",
            "reference_air_kerma": f"{kerma} mGy",
            "fluoroscopy_time": f"{base_s + number / 2} s",
        }
        posted = time.time()
        try:
            connection.request("POST", "/api/1/readings", json.dumps(message), headers)
            answer = connection.getresponse()
            body = answer.read()
        except OSError as error:
            shared.faults.append(f"{room}: {error}")
            connection.close()
            continue
        shared.post_s.append(time.time() - posted)
        if 200 <= answer.status < 300:
            shared.answered.append(number)
            shared.posted[room].append((posted, kerma))
        else:
            shared.refused.append(f"{answer.status} {body[:200]!r}")


class Screen:
    """One screen of a room: what a browser keeps of the page, and what it asks."""

    def __init__(
        self, port: int, room: str, kind: str, shared: Shared, dependencies: list[dict[str, Any]]
    ) -> None:
        self.connection = HTTPConnection("127.0.0.1", port, timeout=30)
        self.room, self.kind, self.shared = room, kind, shared
        self.dependencies = dependencies
        self.values: dict[str, Any] = {}
        self.seen = 0

    def open(self) -> None:
        """The page of the room, and what its stores hold."""
        path = f"/room/{quote(self.room)}" + ("/wall" if self.kind == "wall" else "")
        self.values |= {"location.pathname": path, "location.search": ""}
        rule = self.rule(
            lambda d: any(i["property"] == "pathname" for i in d["inputs"]) and "shell" in d["output"]
        )
        for one in rule["inputs"]:
            self.values[f"{one['id']}.{one['property']}"] = path if one["property"] == "pathname" else ""
        self.take_all(self.post(rule, rule["inputs"][0]))

    def rule(self, wanted: Any) -> dict[str, Any]:
        """The first of the page's callbacks that is wanted."""
        return next(d for d in self.dependencies if d["clientside_function"] is None and wanted(d))

    def with_input(self, name: str) -> dict[str, Any]:
        """The callback with this input."""
        return self.rule(lambda d: any(i["id"] == name for i in d["inputs"]))

    def take_all(self, part: Any) -> None:
        """Remember the data of every store in what was drawn."""
        if isinstance(part, dict):
            props = part.get("props")
            if isinstance(props, dict) and isinstance(props.get("id"), str):
                for prop in ("data", "value", "n_intervals"):
                    self.values[f"{props['id']}.{prop}"] = props.get(prop)
            for value in part.values():
                self.take_all(value)
        elif isinstance(part, list):
            for value in part:
                self.take_all(value)

    def ask(self, method: str, path: str, body: str | None = None) -> Any:
        """One request; None where nothing changes."""
        begin = time.perf_counter()
        try:
            self.connection.request(method, path, body, {"Content-Type": "application/json"} if body else {})
            answer = self.connection.getresponse()
            data = answer.read()
        except OSError as error:
            self.shared.faults.append(f"{self.room} {self.kind}: {error}")
            self.connection.close()
            return None
        (self.shared.callbacks if body else self.shared.pulses).append(time.perf_counter() - begin)
        if answer.status >= 400:
            self.shared.faults.append(f"{answer.status} {path}")
            return None
        return json.loads(data) if answer.status == 200 else None

    def post(self, rule: dict[str, Any], changed: dict[str, Any]) -> Any:
        """A callback as the browser posts it."""
        names = rule["output"].strip(".").split("...")
        outputs = [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True)) for name in names]

        def told(ones: list[dict[str, Any]]) -> list[dict[str, Any]]:
            return [one | {"value": self.values.get(f"{one['id']}.{one['property']}")} for one in ones]

        body = {
            "output": rule["output"],
            "outputs": outputs if rule["output"].startswith("..") else outputs[0],
            "inputs": told(rule["inputs"]),
            "changedPropIds": [f"{changed['id']}.{changed['property']}"],
            "parsedChangedPropsIds": [f"{changed['id']}.{changed['property']}"],
            "state": told(rule["state"]),
        }
        return self.ask("POST", "/_dash-update-component", json.dumps(body))

    def follow(self, until: float, offset_s: float) -> None:
        """Live until then: the pulse, and the callbacks that it or a tick calls for."""
        refresh, held = self.with_input("room-tick"), self.with_input("room-held-tick")
        time.sleep(offset_s)
        drawn_at = time.monotonic()
        due = {name: time.monotonic() + every for name, every in TICKS.items() if self.kind == "hand"}
        while time.monotonic() < until:
            began = time.monotonic()
            case = self.values["room-mode.data"]["case"]
            pulse = self.ask("GET", f"/pulse?room={quote(self.room)}&case={case}")
            is_due = began - drawn_at > AGES_S
            if pulse and (pulse["position"] > self.values["room-shown.data"]["position"] or is_due):
                self.values["room-tick.data"] = {"n": 1, "is_due": is_due}
                answer = self.post(refresh, refresh["inputs"][0])
                drawn_at = time.monotonic()
                if answer is not None:
                    self.drawn(answer["response"], time.time())
                waiting = self.values["room-shown.data"].get("held")
                if waiting != self.values.get("room-held-shown.data"):
                    self.take_all(self.post(held, held["inputs"][0]))
            for name in due:
                if time.monotonic() >= due[name]:
                    due[name] += TICKS[name]
                    rule = self.with_input(name)
                    answer = self.post(rule, rule["inputs"][0])
                    for store, props in ((answer or {}).get("response") or {}).items():
                        self.values.update({f"{store}.{prop}": value for prop, value in props.items()})
            time.sleep(max(0.0, PULSE_S - (time.monotonic() - began)))

    def drawn(self, response: dict[str, Any], now: float) -> None:
        """Note which of the readings posted stand on the screen now for the first time."""
        if "room-shown" in response:
            self.values["room-shown.data"] = response["room-shown"]["data"]
        shown = self.highest_shown(response)
        posted = self.shared.posted[self.room]
        while shown is not None and self.seen < len(posted) and posted[self.seen][1] <= shown + 1e-6:
            self.shared.waits.append((self.kind, now - posted[self.seen][0]))
            self.seen += 1

    def highest_shown(self, response: dict[str, Any]) -> float | None:
        """The highest air kerma on screen [mGy]: of the large number in the hand, of the line on the wall."""
        if self.kind == "hand":
            digits = _digits(response["room-numbers"]["children"])
            return None if digits is None else float(digits) * 1000
        lines = [
            max(change["params"]["value"])
            for change in response["room-figure"]["figure"]["operations"]
            if (place := change["location"])[0] == "data"
            and place[-1] == "y"
            and place[1] in range(2, 6)  # the lines of the planes
            and change["params"]["value"]
        ]
        return max(lines, default=0.0) * 1000


def _digits(part: Any) -> str | None:
    """The first large number in what was drawn."""
    if isinstance(part, dict):
        props = part.get("props", {})
        if str(props.get("className", "")).startswith("digits"):
            return str(props["children"])
        return _digits(props.get("children"))
    if isinstance(part, list):
        return next((found for one in part if (found := _digits(one)) is not None), None)
    return None


def browse(port: int, room: str, shared: Shared, until: float, ready: threading.Barrier) -> None:
    """A real browser on the hand view; it notes itself when its first number changes."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(f"http://127.0.0.1:{port}/room/{quote(room)}")
        page.locator("#room-numbers .digits").first.wait_for()
        page.evaluate(
            """() => { window.seen = [];
            new MutationObserver(() => {
              const text = document.querySelector('#room-numbers .digits').textContent;
              if (!seen.length || seen[seen.length - 1][1] !== text) seen.push([Date.now() / 1000, text]);
            }).observe(document.getElementById('room-numbers'),
                       {subtree: true, childList: true, characterData: true});
            }"""
        )
        ready.wait()
        page.wait_for_timeout(1000 * max(0.0, until - time.monotonic()))
        seen = page.evaluate("window.seen")
        browser.close()
    for posted, kerma in shared.posted[room]:
        first = next((at for at, text in seen if float(text) * 1000 >= kerma - 1e-6), None)
        if first is not None:
            shared.waits.append(("browser", first - posted))


def processor_s(pid: int) -> float:
    """Processor time of a process so far [s]."""
    parts = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


def wait_for(port: int) -> None:
    """Until the server answers."""
    for _ in range(300):
        try:
            connection = HTTPConnection("127.0.0.1", port, timeout=5)
            connection.request("GET", "/api/1/state")
            connection.getresponse().read()
            return
        except OSError:
            time.sleep(0.2)
    raise SystemExit("the server did not answer")


def run(rooms: int, seconds: int, *, hours_before: float, with_profile: bool, with_browser: bool) -> None:
    """One run, printed."""
    names = [f"Room {number}" for number in range(1, rooms + 1)]
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/ledger.sqlite"
        tokens = prepared(url, names, hours_before=hours_before)
        port = free_port()
        command = [sys.executable, *(["-c", _SAMPLER] if with_profile else ["-m", "dosetrack"])]
        arguments = ["serve", "--port", str(port), "--ledger", url]
        server = subprocess.Popen(
            [*command, *arguments], cwd=PROJECT, env=os.environ | {"PYTHONPATH": str(PROJECT)}
        )
        try:
            wait_for(port)
            measure(port, names, tokens, server.pid, seconds, hours_before, with_browser)
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(timeout=20)
        workflow = open_workflow(url)
        with workflow.ledger.reading() as reader:
            kept = [e for e in reader.each_entry(kinds=("console-reading",)) if "/m" in e.id]
        workflow.ledger.close()
    print(f"readings in the ledger: {len(kept)}")


def measure(
    port: int, names: list[str], tokens: dict[str, str], pid: int, seconds: int, hours_before: float,
    with_browser: bool,
) -> None:  # fmt: skip
    """Open every screen, let everybody live for `seconds`, and print."""
    shared = Shared(posted={name: [] for name in names})
    connection = HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", "/_dash-dependencies")
    dependencies = json.loads(connection.getresponse().read())
    screens = [Screen(port, name, kind, shared, dependencies) for name in names for kind in SCREENS_OF_A_ROOM]
    if with_browser:
        screens = screens[1:]
    for screen in screens:
        screen.open()
    shared.callbacks.clear()
    ready = threading.Barrier(1 + with_browser)
    until = time.monotonic() + 10_000
    browser = None
    if with_browser:
        moment = time.monotonic()
        browser = threading.Thread(target=browse, args=(port, names[0], shared, moment + seconds + 12, ready))
        browser.start()
    ready.wait()
    begin = time.monotonic() + 0.5
    until = begin + seconds + 3
    before, own_before, load_before = processor_s(pid), time.process_time(), os.getloadavg()[0]
    threads = [
        threading.Thread(target=s.follow, args=(until, 0.5 + PULSE_S * n / len(screens)))
        for n, s in enumerate(screens)
    ]
    base_s = max(1, int(hours_before * 3600)) / 2
    threads += [
        threading.Thread(
            target=send, args=(port, name, tokens[name], shared),
            kwargs={"seconds": seconds, "begin": begin + n / len(names), "base_s": base_s},
        )
        for n, name in enumerate(names)
    ]  # fmt: skip
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    server_s, own_s = processor_s(pid) - before, time.process_time() - own_before
    if browser is not None:
        browser.join()
    cores = len(os.sched_getaffinity(0))
    print(f"{len(names)} rooms, {len(screens) + with_browser} screens, {seconds} s, {cores} cores, "
          f"load before {load_before:.1f}; {hours_before:g} h of readings before")  # fmt: skip
    print(f"readings answered 2xx: {len(shared.answered)} of {len(names) * seconds}; "
          f"refused {len(shared.refused)} {shared.refused[:1]}; "
          f"faults {len(shared.faults)} {shared.faults[:2]}")  # fmt: skip
    _print("answer to a reading", shared.post_s)
    _print("pulse", shared.pulses)
    _print("callback", shared.callbacks)
    for kind in ("hand", "wall", "browser"):
        _print(f"reading -> {kind}", [wait for one, wait in shared.waits if one == kind])
    _print("reading -> screen", [wait for _, wait in shared.waits])
    print(f"processor time: server {server_s:.1f} s ({server_s / (seconds + 3):.0%} of one core), "
          f"senders and screens {own_s:.1f} s")  # fmt: skip


def _print(what: str, found: list[float]) -> None:
    if found:
        ordered = sorted(found)
        high = ordered[int(0.95 * (len(ordered) - 1))]
        print(f"{what:22} n {len(found):6d}  median {1000 * statistics.median(found):6.0f} ms  "
              f"95th {1000 * high:6.0f} ms  longest {1000 * ordered[-1]:6.0f} ms")  # fmt: skip


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--short", action="store_true", help="5 rooms, 15 screens, 8 s")
    options.add_argument("--profile", action="store_true", help="sample the server's stacks")
    options.add_argument("--no-browser", action="store_true")
    options.add_argument("--seconds", type=int, help="another length than 60 s")
    options.add_argument("--hours-before", type=float, default=0.0, help="readings held before, one a second")
    chosen = options.parse_args()
    run(
        5 if chosen.short else 20,
        chosen.seconds or (8 if chosen.short else 60),
        hours_before=chosen.hours_before,
        with_profile=chosen.profile,
        with_browser=not chosen.no_browser,
    )
