"""`athwart sink` as a user types it."""

import json

import pytest


def test_counts_of_ones_own(run):
    code, out, _ = run(
        "sink", "--count", "8s 10m", "--count", "8s 10m", "--depth", "20m", "--depth", "5m",
        "--current", "0.5m/s",
    )  # fmt: skip
    assert code == 0
    assert "it sinks 1.25 m a second" in out
    assert "from 2 counts of your own" in out
    assert "20.0 m: count 16 seconds" in out
    assert "carries it 7.0 m on the way" in out  # 16 s x 0.5 m/s x 7/8
    assert "5.0 m: count 4 seconds" in out
    assert "Advice" in out


def test_a_guess_is_called_one_and_units_are_the_users(run):
    code, out, _ = run("sink", "--weight", "1oz", "--depth", "30ft", "--fresh", "--units", "feet")
    assert code == 0
    assert "a guess from the weight" in out
    assert "30.0 ft: count" in out


def test_json(run):
    code, out, _ = run("sink", "--count", "8s 10m", "--depth", "10m", "--current", "1kn",
                       "--mean-current", "--json")  # fmt: skip
    value = json.loads(out)
    assert code == 0
    assert value["rate_mps"] == pytest.approx(1.25)
    assert value["guess"] is False
    assert value["depths"][0]["lead_m"] == pytest.approx(8 * 1852 / 3600)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ([], 2, "say how fast it sinks"),
        (["--count", "8s 10m", "--weight", "30g"], 2, "say how fast it sinks"),
        (["--count", "8s"], 2, "is no count; write seconds and depth"),
        (["--count", "0s 10m"], 2, "both numbers must be more than 0"),
        (["--weight", "30"], 1, "count it down instead"),  # 30 kg: a bare number is SI
        (["--weight", "0g"], 1, "allowed is more than 0"),
        (["--weight", "30g", "--material", "cork"], 2, "allowed are lead, tungsten"),
        (["--weight", "30g", "--material", "240"], 1, "only what is heavier than water"),
        (["--weight", "30g", "--depth", "0m"], 2, "--depth is 0 m"),
        (["--weight", "30g", "--depth", "5m", "--current", "-1kn"], 2, "allowed is 0 or more"),
        (["--weight", "1stone"], 2, "is no mass; write it like 30g or 1oz"),
    ],
)
def test_what_cannot_be_is_refused(run, words, code, said):
    got, out, err = run("sink", *words)
    assert (got, said in err) == (code, True), err
    assert out == ""
