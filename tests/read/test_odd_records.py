"""Odd records (``odd_records.py``): each is read as it was meant, or refused with what to do."""

from __future__ import annotations

import re
import tomllib

import numpy as np
import pytest

from reportgen.read.inspect_file import describe_file
from reportgen.read.log import read_log_of_any_kind
from reportgen.read.log_columns import LogWanted
from reportgen.records.finding import Severity
from reportgen.records.log import TimeHistory
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line
from tests.read.odd_records import RECORDS, Read, Refused

READ = sorted(name for name, (_, expected) in RECORDS.items() if isinstance(expected, Read))
REFUSED = sorted(name for name, (_, expected) in RECORDS.items() if isinstance(expected, Refused))


def read(folder, name, mapping):
    path = folder / name
    path.write_bytes(RECORDS[name][0])
    log, findings = read_log_of_any_kind(path, LogWanted(name=name, mapping=mapping))
    return log, "\n".join(finding_line(each) for each in findings), findings


def test_there_are_sixty_odd_records_at_least():
    assert len(RECORDS) >= 60


@pytest.mark.parametrize("name", READ)
def test_odd_record_is_read_as_meant(tmp_path, name):
    expected = RECORDS[name][1]
    log, told, _ = read(tmp_path, name, expected.mapping)
    assert isinstance(log, TimeHistory), told
    assert log.channels == expected.names
    assert log.sample_rate_hz == pytest.approx(expected.rate, rel=3e-3 if expected.samples < 0 else 1e-6)
    if expected.samples > 0:
        assert log.samples == expected.samples
    samples = log.read()
    truth = expected.motion(np.arange(log.samples) / log.sample_rate_hz).T * expected.unit
    np.testing.assert_allclose(samples, truth, atol=expected.good_to * expected.unit)
    if expected.told is None:
        assert "damaged" not in told
    else:
        assert re.search(expected.told, told, re.DOTALL), told


@pytest.mark.parametrize("name", REFUSED)
def test_odd_record_is_refused_with_the_way_out(tmp_path, name):
    expected = RECORDS[name][1]
    log, told, findings = read(tmp_path, name, expected.mapping)
    assert log is None
    assert any(each.severity is Severity.ERROR for each in findings)
    assert re.search(expected.told, told, re.DOTALL), told


@pytest.mark.parametrize("name", [name for name in READ if not RECORDS[name][1].mapping])
def test_the_mapping_offered_for_an_odd_record_reads_it(tmp_path, name):
    expected = RECORDS[name][1]
    (tmp_path / name).write_bytes(RECORDS[name][0])
    offered = describe_file(tmp_path / name, said)
    mapping = tomllib.loads(offered[offered.index("\n[run.columns]\n") :])["run"]["columns"]
    log, told, _ = read(tmp_path, name, tuple(mapping.items()))
    assert isinstance(log, TimeHistory), told
    truth = expected.motion(np.arange(log.samples) / log.sample_rate_hz).T * expected.unit
    np.testing.assert_allclose(log.read(), truth, atol=expected.good_to * expected.unit)
