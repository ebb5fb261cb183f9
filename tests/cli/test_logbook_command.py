"""``metafreeze logbook`` where it does not come to serving."""

import metafreeze as mf
from metafreeze.cli.main import answer


def test_an_address_needs_the_network(tmp_path, capsys):
    mf.create_register(tmp_path / "winter")
    assert answer(["logbook", str(tmp_path / "winter"), "--address", "192.168.1.20"]) == 2
    assert "--on-network" in capsys.readouterr().err


def test_a_public_address_is_refused(tmp_path, capsys):
    mf.create_register(tmp_path / "winter")
    words = ["logbook", str(tmp_path / "winter"), "--on-network", "--address", "8.8.8.8"]
    assert answer(words) == 1
    assert "8.8.8.8 is not an address of a local network" in capsys.readouterr().err


def test_a_folder_without_a_register_is_named(tmp_path, capsys):
    assert answer(["logbook", str(tmp_path / "nothing")]) == 1
    assert "metafreeze new" in capsys.readouterr().err


def test_a_sheet_that_cannot_be_read_is_refused_before_anything_is_served(tmp_path, capsys):
    mf.create_register(tmp_path / "winter")
    (tmp_path / "today.csv").write_text("start,time (min)\nwarm,\n", encoding="utf-8")
    words = ["logbook", str(tmp_path / "winter"), "--sheet", str(tmp_path / "today.csv"), "--json"]
    assert answer(words) == 1
    said = capsys.readouterr()
    assert '"exit_status": 1' in said.out and "warm" in said.out
