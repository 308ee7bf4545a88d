"""Errors of another process arrive as they were raised."""

from __future__ import annotations

import pickle

import pytest

from reportgen.errors import ComputeError, ReadError, ReportError
from reportgen.records.message import Place, message


@pytest.mark.parametrize(
    "error",
    [
        ComputeError(message("run.no-profile")),
        ReadError(Place("logs/x.csv", 3), message("run.no-profile")),
        ReportError(message("run.no-profile")).listing([message("run.no-profile")]),
    ],
)
def test_an_error_goes_from_process_to_process(error):
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert (again.said, again.more, again.__dict__) == (error.said, error.more, error.__dict__)
