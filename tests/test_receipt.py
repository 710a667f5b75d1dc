"""Receipts: whole or absent, and their sums are what other programs compute."""

from __future__ import annotations

import hashlib
import json

from footroom.host_adapter.headless.receipt import fingerprint, members, read_receipt, receipt_path, write_receipt


def test_the_sum_is_sha_256(tmp_path):
    # Source: FIPS 180-4's example for the message "abc".
    file = tmp_path / "abc"
    file.write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint([file]) == {"bytes": 3, "sha256": expected, "files": 1}


def test_a_folders_sum_depends_on_names_and_contents(tmp_path):
    (tmp_path / "a.dpx").write_bytes(b"12")
    (tmp_path / "b.dpx").write_bytes(b"3")
    first = fingerprint(members(tmp_path))
    by_hand = hashlib.sha256(b"a.dpx\x002\x0012" + b"b.dpx\x001\x003").hexdigest()
    assert first == {"bytes": 3, "sha256": by_hand, "files": 2}
    (tmp_path / "a.dpx").write_bytes(b"1")
    (tmp_path / "b.dpx").write_bytes(b"23")
    assert fingerprint(members(tmp_path))["sha256"] != first["sha256"]


def test_a_receipt_is_read_back_and_rubbish_is_not(tmp_path):
    path = receipt_path(tmp_path / "kestrel.mov")
    assert path.name == "kestrel.mov.receipt.json"
    assert read_receipt(path) is None
    write_receipt(path, {"receipt": 1, "done": "ß"})
    assert read_receipt(path) == {"receipt": 1, "done": "ß"}
    assert [child.name for child in tmp_path.iterdir()] == [path.name]
    for text in ("{", "[]", json.dumps({"receipt": 99})):
        path.write_text(text)
        assert read_receipt(path) is None
