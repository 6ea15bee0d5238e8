"""The core reads no file, socket, clock, environment or chance; importing it opens nothing."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from sources_of_truth import ROOT, Module, imports_of, modules

OUTSIDE_THE_CORE = ("dosetrack.ledger", "dosetrack.services", "dosetrack.cli")
EXCEPTIONS = {"dosetrack.tables"}  # reads the packaged tables
FORBIDDEN_IMPORTS = {
    "socket", "ssl", "http", "urllib", "requests", "ftplib", "smtplib", "sqlite3", "subprocess",
    "tempfile", "shutil", "glob", "secrets",
}  # fmt: skip
FORBIDDEN_CALLS = {
    "open", "read_text", "read_bytes", "write_text", "write_bytes", "iterdir", "glob", "rglob",
    "mkdir", "unlink", "touch", "listdir", "walk", "scandir", "getenv",
    "utcnow", "monotonic", "perf_counter", "time_ns", "sleep", "to_csv", "to_excel",
}  # fmt: skip
FORBIDDEN_NAMES = {
    ("datetime", "now"), ("datetime", "today"), ("date", "today"), ("time", "time"), ("os", "environ"),
    ("Path", "cwd"), ("Path", "home"),
}  # fmt: skip


def core_modules() -> list[Module]:
    """Modules bound to be pure."""
    return [
        module
        for module in modules("dosetrack")
        if not module.name.startswith(OUTSIDE_THE_CORE)
        and module.name not in EXCEPTIONS
        and module.name != "dosetrack.__main__"
    ]


def impure_places(tree: ast.Module) -> list[str]:
    """Calls and names in `tree` that reach disk, clock or environment."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", None) or getattr(node.func, "attr", None)
            owner = getattr(getattr(node.func, "value", None), "id", None)
            if name == "Random" and not node.args:
                found.append(f"line {node.lineno}: Random() without a seed")
            # Ledger.open and Image.open style constructors of our own take no path here
            if name in FORBIDDEN_CALLS and not (name == "open" and owner and owner[0].isupper()):
                found.append(f"line {node.lineno}: {name}()")
        if isinstance(node, ast.Attribute):
            owner = getattr(node.value, "id", None)
            unseeded = owner == "random" and node.attr != "Random"  # chance only from a seed
            if (owner, node.attr) in FORBIDDEN_NAMES or unseeded:
                found.append(f"line {node.lineno}: {owner}.{node.attr}")
    return found


def test_core_touches_no_disk_clock_or_environment() -> None:
    wrong = [
        f"{module.name} {place}"
        for module in core_modules()
        for place in impure_places(module.tree)
        # the clock of the workflow is an argument whose default is the machine's
        if not (module.name.startswith("dosetrack.workflow") and place.endswith("datetime.now"))
    ]
    assert wrong == []


def test_core_imports_no_network_or_process_library() -> None:
    wrong = [
        f"{module.name} line {imported.line}: {imported.target}"
        for module in core_modules()
        for imported in imports_of(module)
        if imported.target.split(".")[0] in FORBIDDEN_IMPORTS
    ]
    assert wrong == []


def test_the_check_itself_finds_what_it_should() -> None:
    text = "import os\nx = open('a')\ny = datetime.now()\nz = os.environ['A']\np.read_text()\n"
    text += "random.random()\nRandom()\nrandom.Random(7)\nself.today()\nLedger.open(url)\n"
    assert len(impure_places(ast.parse(text))) == 6


WATCHED_IMPORT = """
import sys
opened = []
def watch(event, arguments):
    if event == "open":
        path = str(arguments[0])
        if not path.endswith((".py", ".pyc", ".so", ".pth")) and "__pycache__" not in path:
            opened.append(path)
    elif event.startswith(("socket.", "sqlite3.", "subprocess.", "urllib.")):
        opened.append(event)
sys.addaudithook(watch)
import dosetrack
heavy = {"pandas", "numpy", "pydicom", "dash", "plotly", "sqlalchemy", "pint", "typer"} & set(sys.modules)
print(opened, sorted(heavy))
"""


def test_importing_the_package_opens_nothing_and_loads_nothing_heavy() -> None:
    done = subprocess.run(
        [sys.executable, "-B", "-c", WATCHED_IMPORT], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[] []"


WATCHED_PAGES = """
import sys, socket
opened = []
def watch(event, arguments):
    if event in ("socket.bind", "socket.connect", "sqlite3.connect"):
        opened.append(event)
sys.addaudithook(watch)
import dashboards.app
print(opened)
"""


def test_importing_the_pages_opens_no_socket_and_no_ledger() -> None:
    done = subprocess.run(
        [sys.executable, "-B", "-c", WATCHED_PAGES], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert done.stdout.strip() == "[]"
