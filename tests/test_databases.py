"""Logs in real databases: read right, in pieces, without leave to write, within a time, and with no word of who."""

from __future__ import annotations

import contextlib
import os
import socket
import sqlite3
import threading
import time
import tracemalloc

import numpy as np
import pandas as pd
import postgres
import pytest
import smallstudy
from hostile import CLEAN, sqlite_file
from logs import faults

from edgefinish import cli, databases
from edgefinish.databases import gathered_table
from edgefinish.errors import LogError
from edgefinish.findings import Findings
from edgefinish.triallog import read_log

ROWS = 100_000
READER, READER_WORD = "reader", "r3adword"


@pytest.fixture(scope="module")
def server():
    if postgres.binaries() is None:
        pytest.skip("PostgreSQL is not installed here: apt-get install postgresql")
    pytest.importorskip("psycopg", reason="the driver is not installed here: pip install 'psycopg[binary]'")
    with postgres.running() as one:
        one.run(f"""
            create table edges ({", ".join(f"{c} text" for c in CLEAN)});
            create schema yard;
            create table yard.typed (run int, material varchar(20), thickness_mm numeric(6,2), feed_speed_m_min real,
                drum_pressure_kpa double precision, grit text, abrasive_sheet char(4), contact_hours numeric,
                edge_position text, edge_radius_mm numeric, passes smallint, date date, hall boolean, scan bytea);
            insert into yard.typed select r / 4 + 1, 'S355', 12, 1.5, 60, 'P80', 'A1', 2.5,
                (array['leading','trailing','lateral','cutout'])[r % 4 + 1],
                case when r > 13 then null else 0.31 end, 1,
                date '2026-03-04', true, '\\x00' from generate_series(0, 15) r;
            create table huge as select lpad((r / 4)::text, 6, '0') run, 'S355' material, 12 thickness_mm,
                1.5 + (r / 4 % 40) / 10.0 feed_speed_m_min, 60 "drum_pressure_kPa", 'P80' grit,
                'A' || r / 400 abrasive_sheet, r / 4 % 100 / 10.0 contact_hours,
                (array['leading','trailing','lateral','cutout'])[r % 4 + 1] edge_position,
                round((0.3 + (r * 7919 % 400) / 1000.0)::numeric, 3) edge_radius_mm
                from generate_series(0, {ROWS - 1}) r;
            create view slow as select e.*, pg_sleep(30)::text slept from edges e;
            create view endless as with recursive n(r) as (select 1::bigint union all select r + 1 from n)
                select lpad(r::text, 30, 'x') run from n;
            create table visits (at timestamptz);
            create function visit() returns text language plpgsql volatile as
                $$ begin insert into visits values (now()); return 'x'; end $$;
            create view writes as select visit() run;
            create role {READER} login password '{READER_WORD}';
            grant usage on schema yard to {READER}; grant select on yard.typed, huge to {READER};
            alter role {READER} set default_transaction_read_only = on;
            """)
        with _connection(one) as connection, connection.cursor() as cursor:
            cursor.executemany(f"insert into edges values ({', '.join(['%s'] * len(CLEAN.columns))})",
                               CLEAN.to_numpy().tolist())
        yield one


def _connection(server):
    import psycopg

    return psycopg.connect(host="127.0.0.1", port=server.port, user="keeper", password=postgres.PASSWORD,
                           dbname="postgres", autocommit=True)


def said(address, **options):
    """What is said of a log that is refused; never the password, nor the name, nor where the server is."""
    with pytest.raises(LogError) as caught:
        read_log(address, **options)
    text = f"{caught.value} {caught.value!r} {caught.value.problems!r}"
    for secret in ("s3cret", postgres.PASSWORD, postgres.QUOTED, READER_WORD, "keeper", "127.0.0.1"):
        assert secret not in text.replace("with its keeper", "").replace("database's keeper", "")
    assert caught.value.__cause__ is None and caught.value.__context__ is None
    return caught.value.problems


def test_a_table_is_read_as_the_same_log_in_a_file_is(server):
    log = read_log(server.url(), table="edges")
    pd.testing.assert_frame_equal(log.rows, read_log(CLEAN).rows, check_exact=True)
    assert log.source == "table edges of postgresql postgres" and log.sha256 == read_log(CLEAN).sha256
    for kind in ("postgres://", "postgresql+psycopg://"):
        assert read_log(server.url().replace("postgresql://", kind), table="edges").sha256 == log.sha256


def test_the_servers_own_types_are_read(server):
    log = read_log(server.url(), table="yard.typed")
    assert log.rows["thickness_mm"].tolist() == [12.0] * 16 and log.rows["run"].tolist()[::4] == ["1", "2", "3", "4"]
    assert log.rows["edge_radius_mm"].isna().sum() == 2 and log.rows["date"][0] == pd.Timestamp("2026-03-04")
    assert log.rows["abrasive_sheet"][0] == "A1" and log.rows["hall"][0] == "TRUE"


@pytest.mark.parametrize(("table", "hint"), [("edgs", "did you mean edges?"), (None, ""), ("edges; drop table x", ""),
                                             ('edges" --', ""), ("yard.edges", ""), ("pg_catalog.pg_authid", "")])
def test_only_a_table_that_is_there_is_read(server, table, hint):
    problem = said(server.url(), table=table)[0]
    assert "edges" in problem.wanted and hint in problem.remedy
    assert len(read_log(server.url(), table="edges").rows) == 16


def test_a_role_that_may_only_read_is_enough_and_one_that_may_not_is_told(server):
    url = server.url(READER, password=READER_WORD)
    assert len(read_log(url, table="yard.typed").rows) == 16
    assert "may not read" in said(url, table="edges")[0].found
    assert said(server.url(READER, password="wr0ng"), table="huge")[0].wanted == "a database that answers"
    assert said(server.url(database="none"), table="huge")


def test_a_view_that_writes_is_refused_and_has_written_nothing(server):
    assert "changes the database" in said(server.url(), table="writes")[0].found
    with _connection(server) as connection:
        assert connection.execute("select count(*) from visits").fetchone() == (0,)


@pytest.mark.parametrize("table", ["slow", "locked"])
def test_a_slow_answer_is_not_waited_for(server, table, monkeypatch):
    monkeypatch.setattr(databases, "PATIENCE_S", 1.0)
    with contextlib.ExitStack() as stack:
        if table == "locked":
            other = stack.enter_context(_connection(server))
            stack.enter_context(other.transaction())
            other.execute("lock table edges in access exclusive mode")
            table = "edges"
        began = time.monotonic()
        problem = said(server.url(), table=table)[0]
    assert "no answer in time" in problem.found and "1 s" in problem.wanted and time.monotonic() - began < 15


def test_a_table_without_end_is_given_up(server, monkeypatch):
    monkeypatch.setattr(databases, "MOST_ROWS", 30_000)
    assert "more than 30000 rows" in said(server.url(), table="endless")[0].found


def test_a_server_that_is_down_or_never_answers(monkeypatch):
    pytest.importorskip("psycopg", reason="the driver is not installed here")
    monkeypatch.setattr(databases, "PATIENCE_S", 4.0)
    down = postgres.Server(postgres.free_port())
    assert said(down.url(), table="edges")[0].wanted == "a database that answers"
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        began = time.monotonic()
        assert said(postgres.Server(silent.getsockname()[1]).url(), table="edges")
        assert time.monotonic() - began < 30


def test_a_long_table_is_read_in_pieces(server):
    """The table as Python objects, as `fetchall` makes them, stands beside what the reader takes at most."""
    whole = _peak(lambda: _fetched(server))
    kept = _peak(lambda: gathered_table(server.url(), "huge", Findings()))
    assert kept < whole / 3
    log = read_log(server.url(READER, password=READER_WORD), table="huge")
    assert len(log.rows) == ROWS and log.rows["run"].nunique() == ROWS // 4
    r = np.arange(ROWS)
    np.testing.assert_array_equal(log.rows["edge_radius_mm"], np.round(0.3 + r * 7919 % 400 / 1000, 3))
    np.testing.assert_array_equal(log.rows["contact_hours"], np.round(r // 4 % 100 / 10, 1))


def _fetched(server):
    with _connection(server) as connection:
        return connection.execute("select * from huge").fetchall()


def _peak(work) -> int:
    """The most memory in use while some work is done, bytes, beyond what was in use before."""
    tracemalloc.start()
    try:
        kept = work()
        assert kept
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_a_study_with_a_password_leaves_no_word_of_it(server, tmp_path, capsys):
    """The whole run: what is printed, every file in the folder, and the refusal when the table is gone."""
    trials = smallstudy.trials()
    with _connection(server) as connection:
        connection.execute("create table trials (" + ", ".join(f'"{c}" text' for c in trials) + ")")
        with connection.cursor() as cursor:
            cursor.executemany(f"insert into trials values ({', '.join(['%s'] * len(trials.columns))})",
                               trials.astype(str).to_numpy().tolist())
    text = smallstudy.STUDY.replace("log: trials.csv", f"log: {server.url()}\ntable: trials")
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    assert cli.main(["run", str(tmp_path / "study.yaml"), "--out", str(tmp_path / "out")]) == 0
    assert cli.main(["check", server.url(), "--table", "trails"]) == 1
    assert cli.main(["check", server.url(), "--table", "trails", "--json"]) == 1
    printed = capsys.readouterr()
    left = [p for p in (tmp_path / "out").rglob("*") if p.is_file()]
    assert len(left) > 6
    for where, data in [("printed", printed.out + printed.err), *((p.name, p.read_bytes().decode("latin-1"))
                                                                   for p in left)]:
        for secret in ("s3cret", postgres.QUOTED, "keeper:"):
            assert secret not in data, where


def test_a_sqlite_file_is_never_changed(tmp_path):
    url = sqlite_file(tmp_path, "")
    before = (tmp_path / "trials.db").read_bytes()
    os.chmod(tmp_path / "trials.db", 0o444)
    pd.testing.assert_frame_equal(read_log(url, table="edges").rows, read_log(CLEAN).rows, check_exact=True)
    assert (tmp_path / "trials.db").read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["trials.db"]
    with contextlib.closing(databases._sqlite(str(tmp_path / "trials.db"))) as connection:
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            connection.execute("create table x (a)")


def test_sqlite_texts_that_are_no_dates_are_faults_of_their_rows(tmp_path):
    url = sqlite_file(tmp_path, "alter table edges add column date date; update edges set date = '2026-03-04'; "
                                "update edges set date = 'soon' where rowid = 3")
    assert [(p.row, p.column, p.found) for p in faults(url, table="edges")] == [(4, "date", "soon")]


def test_a_sqlite_file_in_use_or_of_another_kind(tmp_path, monkeypatch):
    monkeypatch.setattr(databases, "PATIENCE_S", 1.0)
    url = sqlite_file(tmp_path, "")
    other = sqlite3.connect(tmp_path / "trials.db", check_same_thread=False)
    other.execute("begin exclusive")
    problem = faults(url, table="edges")[0]
    assert "in use by another program" in problem.found and "try again" in problem.remedy
    threading.Timer(0.1, other.rollback).start()
    assert len(read_log(url, table="edges").rows) == 16  # a short wait is not given up
    other.close()
    (tmp_path / "b.db").write_bytes(CLEAN.to_csv().encode() * 20)
    assert faults(f"sqlite:///{tmp_path}/b.db", table="edges")[0].wanted == "a SQLite file that can be read"


def test_a_long_sqlite_table_is_read_in_pieces(tmp_path):
    url = sqlite_file(tmp_path, f"""create table huge as with recursive n(r) as (select 0 union all select r + 1 from n
        where r < {ROWS - 1}) select printf('%06d', r / 4) run, 'S355' material, 12 thickness_mm, 'note ' || r note
        from n""")

    def fetched():
        with contextlib.closing(sqlite3.connect(tmp_path / "trials.db")) as connection:
            return connection.execute("select * from huge").fetchall()

    name, gathered = gathered_table(url, "huge", Findings())
    assert gathered.rows == ROWS and name == "table huge of sqlite trials.db"
    assert _peak(lambda: gathered_table(url, "huge", Findings())) < 1.5 * _peak(fetched)  # a note of its own each row


def test_the_driver_that_is_missing_is_named(monkeypatch):
    import builtins

    real = builtins.__import__

    def without(name, *rest, **more):
        if name.partition(".")[0] == "psycopg":
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    for name in [n for n in __import__("sys").modules if n.partition(".")[0] == "psycopg"]:
        monkeypatch.delitem(__import__("sys").modules, name)
    problem = said(postgres.Server(1).url(), table="edges")[0]
    assert "the Python package psycopg" in problem.wanted and "pip install 'edgefinish[postgresql]'" in problem.remedy


