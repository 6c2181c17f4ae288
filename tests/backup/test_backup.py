"""Backups of a shop: made while it writes, verified, restored, drilled; nothing half-made counts."""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tarfile
import threading
from pathlib import Path

import pytest
from conftest import ROOT, benchweather, until
from full_store import DAY_MS, SERIES, T0, content, fill

from monitor import settings
from monitor.backup import archive, making, restoring, state
from monitor.backup.archive import BackupFault
from monitor.backup.contents import belongs
from monitor.core.errors import StoreFault
from monitor.core.measurements import Quantity, Reading, Series
from monitor.people.access_store import AccessStore
from monitor.people.homes import PeopleFolder
from monitor.people.roles import Role
from monitor.runtime.disk_space import shortage
from monitor.store import Reader, Writer, migrations, outlooks, retention, rollups
from monitor.store.outlooks import Item
from monitor.store.sqlite import SqliteConnection

SECRETS = {"secrets.json": '{"session_key": "x"}', "broker-keys.json": "{}", "phones.json": "[]"}
SAFELY = {"filter": "data"} if hasattr(tarfile, "data_filter") else {}  # from Python 3.11.4 on
PASSPHRASE = "bridge, neck, scroll"


def shop_in(data: Path, **environ: str):
    return settings.load(
        data=data, environ={f"BENCHWEATHER_BACKUP__{name}": text for name, text in environ.items()}
    )


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr("monitor.backup.sealed.WORK", 4)


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    """A shop with rows in every table, people and keys."""
    data = tmp_path_factory.mktemp("model") / "shop"
    (data / "outlook").mkdir(parents=True)
    (data / "settings-versions").mkdir()
    with contextlib.closing(Writer(data / "readings.sqlite3")) as writer:
        fill(writer)
    AccessStore(PeopleFolder(data)).add_person("mira", Role.BENCH, "lining cleat saddle", T0)
    for name, text in SECRETS.items():
        (data / name).write_text(text)
    (data / "benchweather.toml").write_text(
        '[shop]\nname = "Bow Lane"\ntime_zone = "Pacific/Auckland"\n'
    )
    (data / "settings-versions" / f"{'a' * 24}.toml").write_text("")
    (data / "outlook" / "b%C3%A4nch.issuedoutlooks.npz").write_bytes(b"issued")
    (data / "outlook" / "b%C3%A4nch.storedoutlook.npz").write_bytes(b"made again")
    return data


@pytest.fixture(scope="module")
def whole(model):
    """A backup of it."""
    (model.parent / "stick").mkdir()
    return making.make(shop_in(model), model.parent / "stick").path


@pytest.fixture
def shop(model, tmp_path):
    """The settings of a copy of it, and a folder for backups."""
    shutil.copytree(model, tmp_path / "shop")
    (tmp_path / "stick").mkdir()
    return shop_in(tmp_path / "shop", FOLDER=str(tmp_path / "stick"))


def test_a_backup_has_what_nobody_can_make_again_and_restores_it(shop, tmp_path):
    made = making.nightly(shop)
    assert made.path.name.startswith("benchweather-bow-lane-20")
    assert made.path.stat().st_mode & 0o077 == 0
    assert not (shop.data / making.WORK).exists()
    restored = restoring.restore(made.path, tmp_path / "new", "")
    assert restored == (made.manifest, 0)
    found = {
        path.relative_to(tmp_path / "new").as_posix()
        for path in (tmp_path / "new").rglob("*")
        if path.is_file()
    }
    assert found == {
        "readings.sqlite3",
        "people.sqlite3",
        "benchweather.toml",
        f"settings-versions/{'a' * 24}.toml",
        "outlook/b%C3%A4nch.issuedoutlooks.npz",
        *SECRETS,
    }
    assert all(path.stat().st_mode & 0o077 == 0 for path in (tmp_path / "new").rglob("*"))
    for name in ("benchweather.toml", *SECRETS):
        assert (tmp_path / "new" / name).read_bytes() == (shop.data / name).read_bytes()
    with (
        contextlib.closing(Reader(shop.store_path)) as before,
        contextlib.closing(Reader(tmp_path / "new" / "readings.sqlite3")) as after,
    ):
        assert content(after.connection) == content(before.connection)
    (person,) = AccessStore(PeopleFolder(tmp_path / "new")).people()
    assert (person.name, person.role) == ("mira", Role.BENCH)
    kept = state.read(shop)
    assert (kept.path, kept.rows, kept.fault) == (str(made.path), made.manifest.rows, "")


def test_a_backup_is_readable_without_us(shop):
    """By tar, gzip, JSON, SQLite and sha256 alone."""
    import hashlib
    import sqlite3

    made = making.make(shop, shop.backup.folder)
    with tarfile.open(made.path) as tar:
        tar.extractall(shop.data / "by-hand", **SAFELY)
    by_hand = shop.data / "by-hand"
    assert "milliseconds since 1970-01-01 UTC" in (by_hand / "README.txt").read_text()
    listed = json.loads((by_hand / "manifest.json").read_text())
    for one in listed["files"]:
        assert hashlib.sha256((by_hand / one["name"]).read_bytes()).hexdigest() == one["sha256"]
    database = sqlite3.connect(by_hand / "readings.sqlite3")
    assert database.execute("SELECT count(*) FROM reading").fetchone() == (150,)
    database.close()


@pytest.mark.slow
def test_a_backup_is_of_one_moment_while_a_writer_writes(shop, monkeypatch):
    """Ten readings a transaction, a thousand transactions during the copy: never part of one."""
    monkeypatch.setattr("monitor.store.sqlite._SAVED_PAGES", 1)
    one, done, stop = Series("bench", "w1", Quantity.HUMIDITY), [], threading.Event()

    def write():
        with contextlib.closing(Writer(shop.store_path)) as writer:
            while not stop.is_set():
                begin = T0 + 10 * len(done)
                writer.write([Reading(one, begin + i, 40.0 + i) for i in range(10)])
                done.append(begin)

    writing = threading.Thread(target=write)
    writing.start()
    until(lambda: len(done) > 5, what="the writer writes")
    during = []

    def on_pages(copied, of):
        before = len(done)
        if copied < of:  # another transaction between any two pages
            until(lambda: len(done) > before, what="the writer writes on")
        during.append(len(done))

    try:
        made = making.make(shop, shop.backup.folder, on_pages)
    finally:
        stop.set()
        writing.join()
    assert during[-1] - during[0] > 20
    assert made.manifest.tables["readings.sqlite3"]["reading"] % 10 == 0
    restored = shop.data / "restored"
    restoring.restore(made.path, restored, "")
    with contextlib.closing(Writer(restored / "readings.sqlite3")) as writer:
        assert rollups.recount(writer, 0, T0 + 99 * 86_400_000).disagreements == []
    _, compared = restoring.drill(made.path, shop, "")
    assert all(one.good for one in compared)


@pytest.mark.slow
def test_a_killed_backup_leaves_nothing_that_counts(shop):
    script = (
        "import sys, time; from pathlib import Path; from monitor import settings;"
        "from monitor.backup import archive, making; whole = archive._put\n"
        "def slow(*a):\n  whole(*a); print('here', flush=True); time.sleep(60)\n"
        "archive._put = slow\n"
        "making.nightly(settings.load(data=Path(sys.argv[1]), environ={'BENCHWEATHER_BACKUP__FOLDER':"
        " sys.argv[2]}))"
    )
    folder = shop.backup.folder
    child = subprocess.Popen(
        [sys.executable, "-c", script, shop.data, folder], cwd=ROOT, stdout=subprocess.PIPE
    )
    assert child.stdout.readline() == b"here\n"  # it is written and being verified
    with pytest.raises(BackupFault, match="Another backup is being made"):
        making.make(shop, folder)
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert [path.suffix for path in folder.iterdir()] == [".part"]
    assert (shop.data / making.WORK / "readings.sqlite3").exists()
    assert making.backups(shop, folder) == []
    assert state.read(shop).good_ms == 0
    made = making.nightly(shop)
    assert list(folder.iterdir()) == [made.path]
    assert not (shop.data / making.WORK).exists()


def test_an_encrypted_backup_needs_its_passphrase(shop, tmp_path):
    with_passphrase = shop.with_backup_passphrase(PASSPHRASE)
    made = making.make(with_passphrase, shop.backup.folder)
    assert made.path.suffix == ".age"
    assert b"readings.sqlite3" not in made.path.read_bytes()
    with pytest.raises(BackupFault, match="is encrypted: give its passphrase with"):
        restoring.restore(made.path, tmp_path / "new", "")
    with pytest.raises(BackupFault, match="the passphrase is wrong"):
        restoring.restore(made.path, tmp_path / "new", PASSPHRASE + "x")
    changed = tmp_path / "changed.age"
    whole = bytearray(made.path.read_bytes())
    whole[len(whole) // 2] ^= 1
    changed.write_bytes(whole)
    with pytest.raises(BackupFault, match="the file was changed or cut short at about"):
        restoring.restore(changed, tmp_path / "new", PASSPHRASE)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["changed.age", "shop", "stick"]


def test_a_changed_byte_of_a_plain_backup_is_refused_or_changes_nothing(whole, tmp_path):
    """gzip can write the same content in several ways: such a change passes, with all files equal."""
    before, changed = whole.read_bytes(), tmp_path / "changed.tar.gz"
    (tmp_path / "right").mkdir()
    right = archive.extract(whole, tmp_path / "right", "")
    places = {*range(60), *range(60, len(before), 293), *range(len(before) - 30, len(before))}
    passed = 0
    for i in places:
        other = bytearray(before)
        other[i] ^= 0x55
        changed.write_bytes(other)
        folder = tmp_path / str(i)
        folder.mkdir()
        with contextlib.suppress(BackupFault):
            assert archive.extract(changed, folder, "") == right
            for one in right.files:
                right_bytes = (tmp_path / "right" / one.name).read_bytes()
                assert (folder / one.name).read_bytes() == right_bytes
            passed += 1
    assert passed < len(places) / 10
    for end in (0, 1, 500, len(before) // 2, len(before) - 1):
        changed.write_bytes(before[:end])
        with pytest.raises(BackupFault):
            restoring.restore(changed, tmp_path / "new", "")
        assert not (tmp_path / "new").exists()
    assert not list(tmp_path.glob("*.part"))


def hostile(whole: Path, path: Path, change) -> Path:
    """A backup whose members `change` has changed: a function of a list of headers with contents."""
    with tarfile.open(whole) as tar:
        members = [(item, tar.extractfile(item).read()) for item in tar]
    change(members)
    with tarfile.open(path, "w:gz") as tar:
        for item, data in members:
            item.size = len(data) if item.isreg() else 0
            tar.addfile(item, io.BytesIO(data))
    return path


def renamed(name, member=2):
    """Another name for a member, in the list of files too."""

    def change(members):
        item, _ = members[member]
        listed = json.loads(members[0][1])
        for one in listed["files"]:
            if one["name"] == item.name:
                one["name"] = name
        for group in ("steps", "tables"):
            listed[group] = {name if k == item.name else k: v for k, v in listed[group].items()}
        item.name = name
        members[0] = (members[0][0], json.dumps(listed).encode())

    return change


def linked(kind, target):
    def change(members):
        item, _ = members[-1]
        item.type, item.linkname = kind, target
        members[-1] = (item, b"")

    return change


def added(name, kind=tarfile.REGTYPE):
    def change(members):
        item = tarfile.TarInfo(name)
        item.type, item.linkname = kind, "/etc"
        members.append((item, b"x" if kind == tarfile.REGTYPE else b""))

    return change


def listed(**more):
    def change(members):
        known = json.loads(members[0][1])
        members[0] = (members[0][0], json.dumps(known | more).encode())

    return change


@pytest.mark.parametrize(
    "change",
    [
        *(
            renamed(name)
            for name in ("../out", "/tmp/backup-out", "a/../../out", "outlook/../../o")
        ),
        *(
            renamed(name)
            for name in ("outlook", "", ".", "service.lock", "people.sqlite3", "x\0y")
        ),
        *(renamed(name, 4) for name in ("../x.toml", "settings-versions/../../x.toml")),
        linked(tarfile.SYMTYPE, "/etc/passwd"),
        linked(tarfile.LNKTYPE, "readings.sqlite3"),
        linked(tarfile.CHRTYPE, ""),
        linked(tarfile.FIFOTYPE, ""),
        added("outlook", tarfile.SYMTYPE),
        added("../out"),
        added("readings.sqlite3"),
        added("phones.json"),
        lambda members: members.reverse(),
        lambda members: members.pop(2),
        lambda members: members.insert(0, members.pop(1)),
        listed(files=[]),
        listed(steps={"../../x.sqlite3": -5}),
        listed(tables={}),
        listed(files="none"),
        listed(format=2),
        listed(made_ms=10**17),
        listed(made_ms=-1),
        listed(version="\x1b[2J"),
        listed(steps={"readings.sqlite3": 999, "people.sqlite3": 1}),
        listed(tables={"readings.sqlite3": {"reading": 151}, "people.sqlite3": {}}),
    ],
)
def test_a_hostile_backup_never_writes_outside_its_folder(whole, tmp_path, change):
    path = hostile(whole, tmp_path / "hostile.tar.gz", change)
    with pytest.raises((BackupFault, StoreFault)):
        restoring.restore(path, tmp_path / "new", "")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["hostile.tar.gz"]
    assert not Path("/tmp/backup-out").exists()


def test_what_is_not_a_backup_is_refused_in_words(tmp_path):
    path = tmp_path / "x"
    for text in (b"", b"hello", b"\x1f\x8b", archive.FIRST_LINE, bytes(2_000)):
        path.write_bytes(text)
        with pytest.raises(BackupFault):
            restoring.restore(path, tmp_path / "new", PASSPHRASE)
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(Exception, match="is a pipe: must be a file"):
        restoring.restore(path, tmp_path / "new", "")


def test_a_bomb_in_a_header_is_refused_before_it_is_read(tmp_path, monkeypatch):
    """The library would read 8 MB at once here; of a gigabyte of zeros, a gigabyte."""
    read = tarfile._Stream.read

    def small(stream, size=None):
        assert size < 1_000_000
        return read(stream, size)

    monkeypatch.setattr("tarfile._Stream.read", small)
    for kind in (tarfile.XHDTYPE, tarfile.GNUTYPE_LONGNAME):
        item = tarfile.TarInfo("manifest.json")
        item.type, item.size = kind, 8_000_000
        path = tmp_path / "bomb.tar.gz"
        path.write_bytes(gzip.compress(item.tobuf() + bytes(item.size + 1024)))
        with pytest.raises(BackupFault, match="is not a backup"):
            archive.read_manifest(path, "")


def test_a_clock_that_was_ahead_costs_no_later_backup(shop):
    """Seven backups of a year ahead fill all days that are kept; older ones go, and new ones stay."""
    folder = shop.backup.folder
    prefix = "benchweather-bow-lane-"
    ahead = [folder / f"{prefix}2090010{day}T023000Z.tar.gz" for day in range(1, 10)]
    others = [folder / f"{prefix}notes.part", folder / f"{prefix}two-20260101T023000Z.tar.gz.part"]
    for path in (*ahead, *others):
        path.write_text("kept")
    made = making.nightly(shop)
    assert made.path.exists()
    assert made.deleted == ()
    assert all(path.exists() for path in (*ahead, *others))


def test_the_folder_of_a_killed_drill_is_deleted_a_day_later(shop):
    """It is as large as the store. One of a drill that runs stays."""
    old, new = (shop.data / f"{making.DRILL}{name}" for name in ("old", "new"))
    for folder in (old, new):
        folder.mkdir()
        (folder / "readings.sqlite3").write_text("a copy")
    os.utime(old, (0, 0))
    making.make(shop, shop.backup.folder)
    assert new.exists()
    assert not old.exists()


def test_a_folder_whose_disk_is_away_gets_no_backup(shop):
    """Its mount point is there and empty: the backup would fill the wrong disk."""
    made = making.nightly(shop)
    made.path.rename(made.path.parent.parent / made.path.name)
    with pytest.raises(BackupFault, match="is empty, but had backups: connect its disk"):
        making.nightly(shop)
    assert not list(made.path.parent.iterdir())
    assert "connect its disk" in state.read(shop).fault
    assert making.nightly(shop, emptied=True).path.exists()
    assert making.nightly(shop).path.exists()


def test_a_folder_that_the_system_cannot_look_at_is_noted_with_its_reason(shop, tmp_path):
    """As that of a disk that does not answer any more; a name too long fails in the same place."""
    shop = shop_in(shop.data, FOLDER=str(tmp_path / ("x" * 300)))
    with pytest.raises(BackupFault, match="File name too long"):
        making.nightly(shop)
    assert "File name too long" in state.read(shop).fault


def test_names_of_shops_without_latin_letters_differ(model):
    found = {
        making._prefix(settings.load(data=model, environ={"BENCHWEATHER_SHOP__NAME": name}))
        for name in ("弦楽器", "楽器店", "Shop", "Bow Läne", "Bow Löne")
    }
    assert len(found) == 5


def test_the_drill_says_what_the_live_store_lacks(shop):
    path = making.make(shop, shop.backup.folder).path
    with contextlib.closing(Writer(shop.store_path)) as writer:
        writer.write([Reading(SERIES[0], T0 + 5, 20.0), Reading(SERIES[1], T0 + 99 * 10**8, 1.0)])
    _, compared = restoring.drill(path, shop, "")
    assert [(one.kept, one.live, one.good) for one in compared] == [(150, 151, True), (3, 3, True)]
    with (
        contextlib.closing(Writer(shop.store_path)) as writer,
        writer.connection.transaction() as run,
    ):
        run.execute("UPDATE reading SET value = 0 WHERE series_id = 2 AND ts_ms = ?", (T0,))
        run.execute("DELETE FROM event WHERE event_id = 2")
    _, compared = restoring.drill(path, shop, "")
    assert [(one.differ, one.good) for one in compared] == [(1, False), (0, False)]
    assert not list(shop.data.glob("backup-drill-*"))


def test_the_drill_does_not_miss_what_retention_cleared(shop):
    path = making.make(shop, shop.backup.folder).path
    with contextlib.closing(Writer(shop.store_path)) as writer:
        cleared = retention.clear(writer, 1, T0 + 20 * DAY_MS, float("inf"))
    _, compared = restoring.drill(path, shop, "")
    assert cleared == 20
    assert [(one.kept, one.live, one.good) for one in compared] == [(130, 130, True), (3, 3, True)]


def test_the_folder_of_an_interrupted_restore_is_named(tmp_path):
    for name in ("shop.a1.part", "shop [1].x.part", "shopping.b.part"):
        (tmp_path / name).mkdir()
    assert restoring.left_over(tmp_path / "shop") == [tmp_path / "shop.a1.part"]
    assert restoring.left_over(tmp_path / "shop [1]") == [tmp_path / "shop [1].x.part"]


def old_store(path: Path, last: int) -> None:
    """A store as a version wrote it whose last step was `last`."""
    old = SqliteConnection(path, read_only=False)
    with contextlib.closing(old), old.transaction() as run:
        for step in [migrations.FIRST, *migrations.steps()[:last]]:
            for statement in step.statements:
                run.execute(statement)
            if step.number:
                run.execute("INSERT INTO schema_step VALUES (?)", (step.number,))
        run.execute("INSERT INTO series VALUES (1, 'bench', 'a1', 'humidity')")
        run.execute("INSERT INTO reading VALUES (1, 5, 41.5)")


def test_an_older_schema_is_brought_up_to_date_and_a_newer_one_refused(tmp_path):
    data = tmp_path / "shop"
    data.mkdir()
    shop = shop_in(data, FOLDER=str(tmp_path))
    old_store(shop.store_path, 7)
    made = making.make(shop, tmp_path)
    restored = restoring.restore(made.path, tmp_path / "new", "")
    assert restored.steps == len(migrations.steps()) - 7
    with contextlib.closing(Reader(tmp_path / "new" / "readings.sqlite3")) as reader:
        assert [one.reading.value for one in reader.latest(10)] == [41.5]
    store = SqliteConnection(shop.store_path, read_only=False)
    with contextlib.closing(store), store.transaction() as run:
        run.execute("INSERT INTO schema_step VALUES (99)")
    made.path.unlink()
    newer = making.make(shop, tmp_path).path
    known = migrations.steps()[-1].number
    with pytest.raises(BackupFault, match=rf"made by a newer version.*step 99.*knows {known}"):
        restoring.restore(newer, tmp_path / "newer", "")
    assert not (tmp_path / "newer").exists()


def test_a_damaged_store_is_not_backed_up_as_good(shop):
    content = bytearray(shop.store_path.read_bytes())
    content[-3_000:-2_000] = bytes(1_000)
    shop.store_path.write_bytes(content)
    with pytest.raises((BackupFault, StoreFault), match=r"damaged|malformed"):
        making.nightly(shop)
    assert "readings.sqlite3" in state.read(shop).fault
    assert list(shop.backup.folder.iterdir()) == []


def test_space_is_looked_at_first(tmp_path):
    assert shortage([(tmp_path, 1_000)]) == ""
    assert "1e+06 GB must be free on the disk of" in shortage([(tmp_path, 10**15)])
    both = shortage([(tmp_path, 6 * 10**14), (tmp_path, 4 * 10**14)])
    assert "1e+06 GB must be free" in both  # of one disk together


def test_the_commands_say_what_they_did(shop, tmp_path):
    secret = tmp_path / "passphrase"
    secret.write_text(PASSPHRASE + "\n")
    secret.chmod(0o600)
    environment = {"BENCHWEATHER_DATA": str(shop.data), "COLUMNS": "300"}

    def backup(*arguments, **more):
        done = benchweather("backup", *arguments, environment=environment | more)
        return done.returncode, done.stdout, done.stderr

    folder = {"BENCHWEATHER_BACKUP__FOLDER": str(shop.backup.folder)}
    for arguments, code, said in (
        (("make",), 1, "backup.folder is not set"),
        (("drill",), 2, "backup.folder is not set"),
        (("list", "--in", str(tmp_path / "none")), 1, "connect its disk"),
        (("make", "--to", str(tmp_path / "none")), 1, "connect its disk, or make the folder"),
        (("make", "--to", str(shop.data / "outlook")), 1, "is in the data folder"),
        (("verify", str(tmp_path / "none")), 1, "No such file"),
        (("restore", str(tmp_path / "none")), 1, "is not empty: name a folder"),
    ):
        done = backup(*arguments)
        assert done[0] == code, (arguments, done)
        assert said in done[2], (arguments, done)
    assert "There are no backups in" in backup("drill", **folder)[2]
    code, said, _ = backup("make", "--passphrase-file", str(secret), **folder)
    assert code == 0
    assert "encrypted. It was read again and verified." in said
    path = str(making.backups(shop, shop.backup.folder)[0].path)
    listed = backup("list", **folder)[1]
    assert path in listed
    assert "is encrypted: give its passphrase" in backup("verify", path)[2]
    code, said, _ = backup("verify", path, "--passphrase-file", str(secret))
    assert code == 0
    assert "readings reading" in said
    inside = {"BENCHWEATHER_BACKUP__PASSPHRASE": PASSPHRASE}
    code, said, _ = backup("drill", **folder, **inside)
    assert code == 0
    assert "150 readings in the backup; the live store has the same number up to then" in said
    new = str(tmp_path / "new")
    code, said, _ = backup("restore", path, "--data", new, **inside)
    assert code == 0
    made = listed.splitlines()[-1].strip()[:16]
    assert f"{new} has the state of {made}:" in said  # in the shop's time zone, as in the list
    assert "is not empty" in backup("restore", path, "--data", new, **inside)[2]


@pytest.mark.slow
def test_a_store_on_a_server_is_backed_up_into_a_file(shop, tmp_path, postgresql_server):
    url = postgresql_server.address()
    with contextlib.closing(Writer(url)) as writer:
        fill(writer)
        name = "outlook/b%C3%A4nch.issuedoutlooks.npz"
        outlooks.put(writer.connection, [Item("bänch", "issuedoutlooks", b"of the database")])
        of_server = content(writer.connection)
        on_server = settings.load(data=shop.data, environ={"BENCHWEATHER_STORE__URL": url})
        made = making.make(on_server, shop.backup.folder)
        restoring.restore(made.path, tmp_path / "new", "")
        with contextlib.closing(Reader(tmp_path / "new" / "readings.sqlite3")) as restored:
            assert content(restored.connection) == of_server
        assert (tmp_path / "new" / name).read_bytes() == b"of the database"
        _, compared = restoring.drill(made.path, on_server, "")
        assert all(one.good for one in compared)


def test_names_that_belong_are_few():
    assert belongs("readings.sqlite3")
    assert belongs("outlook/a%2Fb.learnedplace.npz")
    for name in ("", "x", "../secrets.json", "outlook/", "outlook/a/b.learnedplace.npz", "log/x"):
        assert not belongs(name), name


def test_what_root_backs_up_stays_of_the_user_of_the_data_folder(shop):
    if os.geteuid() == 0:  # else everything is of one user, as it must be
        os.chown(shop.data, 65534, 65534)
    made = making.nightly(shop)
    of = shop.data.stat()
    left = [made.path, shop.data / making.LOCK, state.path_of(shop)]
    assert [(path.stat().st_uid, path.stat().st_gid) for path in left] == 3 * [
        (of.st_uid, of.st_gid)
    ]
