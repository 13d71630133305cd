"""Every reader, given anything: a sentence or a table, no warning, and what it read comes back."""

from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mutations import mutated, unescaped
from oracles import TARGETS, judge

from strategies import FILES, LONG, damaged, examples

INPUTS = {"csv": 60, "nmea": 30, "geojson": 25, "kml": 25, "gpx": 150, "picture": 120}


@pytest.mark.parametrize("name", TARGETS)
def test_samples_are_read(tmp_path, name):
    read = [judge(TARGETS[name], data, tmp_path) for data in TARGETS[name].samples()]
    assert sum(read) >= len(read) - 2  # a sample cut in the middle may be refused


@pytest.mark.parametrize("name", TARGETS)
def test_damaged_samples_are_read_or_refused(tmp_path, name):
    target = TARGETS[name]
    inputs = mutated(target.samples(), unescaped(target.words), seed=20310504)
    count = INPUTS.get(name, 150) * (50 if LONG else 1)
    for i, data in enumerate(islice(inputs, count)):
        try:
            judge(target, data, tmp_path)
        except Exception as error:
            (tmp_path / "broken").write_bytes(data)
            raise AssertionError(f"input {i}, kept as {tmp_path / 'broken'}: {data!r}") from error


@pytest.mark.parametrize("name", FILES)
def test_files_of_any_content_are_read_or_refused(tmp_path_factory, name):
    folder = tmp_path_factory.mktemp(name)

    @examples(12)
    @given(data=st.one_of(FILES[name], damaged(FILES[name])))
    def holds(data):
        judge(TARGETS[name], data, folder)

    holds()
