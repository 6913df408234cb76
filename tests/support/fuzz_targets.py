"""Everything that reads what comes from outside, as functions of bytes that may refuse in words only.

Each target returns when it took or properly refused the input; anything it raises is a fault of ours.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from types import ModuleType

from starlette.datastructures import Headers

from drivers import layout as layout_module
from drivers.layout import load_layout
from drivers.schema import LayoutError
from logger import (
    car_file,
    config,
    health,
    heard,
    journal_segment,
    recording,
    snapshot,
    weigh_file,
    weigh_rows,
)
from logger.backup import BackupError, restore
from logger.bookkeeping import imports
from logger.bookkeeping.imports import import_csv
from logger.car_file import read_car
from logger.health import read_health
from logger.heard import read_command, read_mark
from logger.mechanics.weighing import Known
from logger.model import Chunk
from logger.page import guard, web
from logger.page.web import _Argument, _Code, _plain_text, parse
from logger.pairing import FILE, Pairing, PairingRefused
from logger.plan import file as plan_file
from logger.plan.file import read_plan
from logger.plan.state import base_of
from logger.plan.wanted import PlanFault
from logger.plan.work import work
from logger.recording import RecordingError, read_csv
from logger.store import sealed
from logger.typed_toml import ConfigError
from logger.untold import untold
from logger.weigh_file import read_weighings
from logger.weighin.ledger import Ledger, NoWeighIn
from logger.weighin.ledger_copy import LedgerCopy
from logger.weighin.refusal import LedgerError

CORPUS = Path(__file__).parents[1] / "guard" / "corpus"
ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "deploy" / "examples"
CAR = read_car(EXAMPLES / "wagtail.toml")
WEIGHINGS = b"run,facing,spot,corner,pad,value,unit,u\n" + b"".join(
    b"1,out,S%d,%s,P%d,24%d.5,kg,0.1\n" % (n, corner, n, n)
    for n, corner in enumerate((b"LF", b"RF", b"LR", b"RR"), 1)
)


def _file(content: bytes, name: str) -> Path:
    """Put the input where a reader of files finds it; the same file each time."""
    folder = Path(tempfile.gettempdir(), "restpoint-fuzz")
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(content)
    return path


def fuzz_config(content: bytes) -> None:
    with suppress(ConfigError):
        config.load(_file(content, "bay.toml"))


def fuzz_car(content: bytes) -> None:
    with suppress(ConfigError):
        read_car(_file(content, "car.toml"))


def fuzz_layout(content: bytes) -> None:
    """A layout that loads must also take any bytes: its own text is as good as any."""
    try:
        driver = load_layout(_file(content, "layout.toml")).driver()
    except LayoutError:
        return
    driver.feed(content, 1)


def fuzz_journal(content: bytes) -> None:
    for item in journal_segment.scan(content):
        for row in getattr(item, "rows", ()):
            with suppress(ValueError):
                journal_segment.entry_of(row)


def fuzz_csv(content: bytes) -> None:
    with suppress(RecordingError):
        read_csv(_file(content, "recording.csv"))


def fuzz_weighings(content: bytes) -> None:
    with suppress(ConfigError):
        read_weighings(_file(content, "weighings.csv"), Known())


def fuzz_plan(content: bytes) -> None:
    """A plan that can be read is worked out too, on the weighings of the example beside it."""
    for name in ("wagtail-builds.csv", "wagtail.toml"):
        _file((EXAMPLES / name).read_bytes(), name)
    with suppress(ConfigError, PlanFault, NoWeighIn):
        plan = read_plan(_file(content, "plan.toml"))
        work(plan, base_of(plan))


def fuzz_import(content: bytes) -> None:
    """Notes of past weighings: taken into a ledger whole, or nothing of them."""
    folder = Path(tempfile.mkdtemp())
    ledger = Ledger(folder / "ledger.db")
    notes = folder / "notes.csv"
    notes.write_bytes(content)
    try:
        import_csv(ledger, notes, CAR, 1, 1)
        assert len(ledger.weigh_ins()) == 1
    except (ConfigError, LedgerError):
        assert ledger.weigh_ins() == []
        assert ledger.deeds() == []
    finally:
        ledger.close()
        shutil.rmtree(folder)


def fuzz_mqtt(content: bytes) -> None:
    topic, _, payload = content.partition(b"\n")
    read_mark(payload)
    with suppress(ValueError):
        command = read_command(topic.decode("utf-8", "replace"), payload, 1)
        assert command.argument.isprintable()


def fuzz_http(content: bytes) -> None:
    """Body of a command and of a code; Host, Origin and length as headers."""
    for kind in (_Argument, _Code):
        with suppress(ValueError):
            asked = parse(content, kind)
            if isinstance(asked, _Argument):
                assert _plain_text(asked.argument).isprintable()
    host, _, rest = content.partition(b"\n")
    origin, _, length = rest.partition(b"\n")
    raw = [(b"host", host), (b"origin", origin), (b"content-length", length)]
    if guard.refuse("POST", "http", Headers(raw=raw), guard.own_names()) is None:
        assert origin.lower() == b"http://" + host.lower()


def fuzz_paired(content: bytes) -> None:
    path = _file(content, FILE)
    pairing = Pairing(path.parent)
    pairing.find("token")
    with suppress(PairingRefused):
        pairing.redeem("123456", 1, 1)


def fuzz_kept(content: bytes) -> None:
    """What we wrote ourselves and a disk or somebody changed: marks, health, hashes, rows, a message."""
    sealed.read_mark(_file(content, f"{sealed.segment_name('run-000001-abcdef', 1)}.json"))
    folder = _file(content, health.FILE).parent
    read_health(folder)
    _file(content, snapshot.SUMS)
    snapshot.fault(folder)
    copy = LedgerCopy(_file(content, "kept.rows"))
    copy.read()
    copy.schema()
    untold(content, (), "barn", "kg", (1, 1), ())


def fuzz_backup(content: bytes) -> None:
    archive = _file(content, "backup.tar.gz")
    folder = archive.with_name("restored")
    with suppress(BackupError):
        restore(archive, folder)
    shutil.rmtree(folder, ignore_errors=True)


TARGETS: dict[str, tuple[Callable[[bytes], None], Iterable[ModuleType]]] = {
    "config": (fuzz_config, (config,)),
    "car": (fuzz_car, (car_file,)),
    "layout": (fuzz_layout, (layout_module,)),
    "journal": (fuzz_journal, (journal_segment,)),
    "csv": (fuzz_csv, (recording,)),
    "weighings": (fuzz_weighings, (weigh_file, weigh_rows)),
    "plan": (fuzz_plan, (plan_file,)),
    "import": (fuzz_import, (imports,)),
    "mqtt": (fuzz_mqtt, (heard,)),
    "http": (fuzz_http, (web, guard)),
    "paired": (fuzz_paired, ()),
    "kept": (fuzz_kept, (health, snapshot)),
    "backup": (fuzz_backup, ()),
}
"""Name → (target, the modules it is about)."""


def seeds(name: str) -> list[bytes]:
    """Inputs that are right, to begin from, and the cases kept."""
    right = {
        "config": [(ROOT / "deploy/bay.example.toml").read_bytes()],
        "car": [b'name = "W"\nwheelbase_m = 2.43\ntrack_front_m = 1.4\ntrack_rear_m = 1.39\n'],
        "layout": [path.read_bytes() for path in sorted((ROOT / "drivers/layouts").glob("*.toml"))],
        "journal": [_segment()],
        "csv": [b"t_s,pad,value,unit\n0,P1,1.5,kg\n0.1,P1,2,lb\n"],
        "weighings": [WEIGHINGS],
        "plan": [(EXAMPLES / "wagtail-plan.toml").read_bytes()],
        "import": [WEIGHINGS, (EXAMPLES / "wagtail-builds.csv").read_bytes()],
        "mqtt": [b'restpoint/b/do/name\n{"argument": "cage"}', b"restpoint/b/do/take\n"],
        "http": [b'{"argument": "cage"}', b'{"code": "123456"}', b"localhost:1\nhttp://localhost:1\n2"],
        "paired": [b'{"schema":1,"next_id":1,"devices":[],"offer":null}'],
        "kept": [
            b'{"schema":1,"bay":"b","run":"run-000001-abcdef","segment":1,"journal_sha256":"0",'
            b'"files":[{"path":"p","bytes":1,"sha256":"0"}]}',
            b'{"schema":1,"kind":"capture","boot":"b","seq":1,"number":1}',
            snapshot.sums({"config.toml": b""}),
            b'0123456789abcdef [["car",{"id":1}]]\n',
        ],
        "backup": [],
    }[name]
    kept = sorted((CORPUS / name).glob("*")) if (CORPUS / name).is_dir() else []
    return right + [path.read_bytes() for path in kept]


def _segment() -> bytes:
    rows = [
        journal_segment.row_of(Chunk(port="p", t_mono_ns=n, t_wall_ns=n, data=b"P1 still 1.00 kg\r\n"), n)
        for n in (1, 2)
    ]
    return (
        journal_segment.head()
        + journal_segment.encode(rows, 0, "boot")
        + journal_segment.encode(rows, 2, "boot")
        + journal_segment.END
    )
