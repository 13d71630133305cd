"""NMEA 0183. Sources beside the sentences:

B12: IHO B-12 ed. 2.0.3, section 2. BETKE: K. Betke, The NMEA 0183 Protocol, 2001.
PYNMEA: the tests of pynmea2 (test/test_types.py). GPSINFO: a public copy of
gpsinformation.org/dale/nmea.htm. COPY: public copies of the sentence, checksum recomputed.
"""

from datetime import date, datetime
from functools import reduce

import numpy as np
import pynmea2
import pytest

from athwart.contents import Contents
from athwart.errors import FileError
from athwart.formats import ReadOptions, inspect, read, write

RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"  # COPY
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"  # GPSINFO
DAY = ReadOptions(date=date(2031, 5, 4))


def sentence(body):
    """Return a sentence with its checksum (BETKE, section 3: XOR between $ and *)."""
    return f"${body}*{reduce(lambda a, c: a ^ ord(c), body, 0):02X}"


def rmc(clock, lat="4100.000,N", lon="00800.000,W", day="040531", status="A", rest="5.0,90.0"):
    return sentence(f"GPRMC,{clock},{status},{lat},{lon},{rest},{day},,")


def gga(clock, lat="4100.000,N", lon="00800.000,W", quality=1):
    return sentence(f"GPGGA,{clock},{lat},{lon},{quality},08,0.9,1.0,M,46.9,M,,")


def save(folder, *lines, name="a.nmea"):
    path = folder / name
    path.write_bytes("\r\n".join(lines).encode("latin-1"))
    return path


def track(folder, *lines, options=None):
    return read(save(folder, *lines), options=options).tracks


def test_the_published_rmc(tmp_path):
    t = track(tmp_path, RMC)
    assert t.time[0] == np.datetime64("1994-03-23T12:35:19")
    assert t.lat[0] == pytest.approx(48.1173, abs=1e-9)
    assert t.lon[0] == pytest.approx(11.5166667, abs=1e-7)
    assert t.speed_mps[0] == pytest.approx(22.4 * 1852 / 3600, abs=1e-12)
    assert t.course_deg[0] == 84.4


@pytest.mark.parametrize(
    ("text", "clock", "lat", "lon", "hdop"),
    [
        (GGA, "12:35:19", 48.1173, 11.5166667, 0.9),  # GPSINFO
        (
            "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
            "18:43:53.07",
            -19.4840833,
            24.1751,
            2.6,
        ),  # PYNMEA
        (
            "$GPGGA,071953.00,0424.9862,N,11359.7661,E,1,9,1.8,21,M,,M,,*68",
            "07:19:53",
            4.4164367,
            113.9961017,
            1.8,
        ),  # B12, the only one of its four examples with a right checksum
    ],
)
def test_the_published_gga(tmp_path, text, clock, lat, lon, hdop):
    t = track(tmp_path, text, options=DAY)
    assert t.time[0] == np.datetime64(f"2031-05-04T{clock}")
    assert t.lat[0] == pytest.approx(lat, abs=5e-8)
    assert t.lon[0] == pytest.approx(lon, abs=5e-8)
    assert t.hdop[0] == hdop


@pytest.mark.parametrize(
    ("text", "column", "value"),
    [
        ("$GPHDT,274.07,T*03", "heading_deg", 274.07),  # COPY
        ("$HCHDG,98.3,0.0,E,12.6,W*57", "heading_deg", 85.7),  # COPY; sum by true = C + D + V
        ("$SDDPT,14.39,0.00*68", "depth_m", 14.39),  # COPY
        ("$SDDPT,10.1,-1.5,*62", "depth_m", 10.1),  # COPY; the offset leads to the keel
        ("$SDDPT,12.4,0.5,*49", "depth_m", 12.4),  # no source
        ("$SDDBT,47.2,f,14.39,M,7.87,F*00", "depth_m", 14.39),  # COPY
        ("$SDMTW,16.2,C*01", "water_temperature_c", 16.2),  # COPY
    ],
)
def test_published_sensor_sentences(tmp_path, text, column, value):
    t = track(tmp_path, RMC, text)
    assert getattr(t, column)[0] == pytest.approx(value, abs=1e-9)
    assert t.depth_below[0] == ("transducer" if column == "depth_m" else "")


def test_vtg_serves_where_rmc_is_absent(tmp_path):
    vtg = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"  # from memory; its checksum is right
    t = track(tmp_path, GGA, vtg, options=DAY)
    assert t.course_deg[0] == 54.7
    assert t.speed_mps[0] == pytest.approx(5.5 * 1852 / 3600)
    assert track(tmp_path, RMC, vtg).course_deg[0] == 84.4


@pytest.mark.parametrize(
    "text",
    [
        # B12 section 2.1 prints these three with wrong checksums (right: 4A, 49, 32).
        "$GPGLL,0424.9921,N,11359.7734,E,012636.21,A,D,*5E",
        "$GPRMC,102318.23,A,4537.0226,N,03243.0262,E,015.3,186.3,211217,007.2,W*6A",
        "$SDDBT,0006.0,f,0001.828,M,0001.0,F*3A",
        # This one circulates with the wrong geoid height; 46.9 is right, 47.0 would be *4F.
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,47.0,M,,*47",
    ],
)
def test_published_sentences_with_wrong_checksums_are_skipped(tmp_path, text):
    contents = read(save(tmp_path, RMC, text))  # noise does not refuse a log
    assert len(contents.tracks) == 1
    assert [(r.row, r.code) for r in contents.rejected] == [(2, "checksum-wrong")]
    assert contents.counts["bad_sentences"] == 1
    assert np.isnan(contents.tracks.depth_m[0])
    with pytest.raises(pynmea2.ChecksumError, match="checksum does not match"):
        pynmea2.parse(text, check=True)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (RMC[:40], "sentence-cut"),
        (RMC[:-2], "sentence-cut"),
        (sentence("GPRMC,123520,A,4807.038,N,01131.000,E" + "," * 100), "sentence-overlong"),
        ("garbage \xff\x00", "not-a-sentence"),
        (rmc("123520", lat="9107.038,N"), "field-unreadable"),
        (rmc("123520", lat="4160.000,N"), "field-unreadable"),
        (rmc("123520", lat="4107.0x8,N"), "field-unreadable"),
        (rmc("123520", lat="4107.038,Q"), "field-unreadable"),
        (rmc("123520", lat="4107.038,"), "field-unreadable"),
        (rmc("123520", lat=","), "field-unreadable"),
        (rmc("123520", lon="18000.001,E"), "field-unreadable"),
        (rmc("253520"), "field-unreadable"),
        (rmc("12352"), "field-unreadable"),
        (rmc(""), "field-unreadable"),
        (rmc("123520", day="310231"), "field-unreadable"),
        (rmc("123520", rest="x,90"), "field-unreadable"),
        (rmc("123520", rest="5,361"), "field-unreadable"),
        (sentence("GPRMC,123520,A"), "field-unreadable"),
        (sentence("SDDPT,nan,0.0"), "field-unreadable"),
        (sentence("SDMTW,99.0,C"), "field-unreadable"),
        (sentence("HCHDG,98.3,3.0,Q,12.6,W"), "field-unreadable"),
    ],
)
def test_bad_sentences_are_counted_by_line(tmp_path, text, code):
    contents = read(save(tmp_path, RMC, "", text, rmc("123520", day="230394")))
    assert [(r.row, r.code) for r in contents.rejected] == [(3, code)]
    assert len(contents.tracks) == 2
    assert "skipped: 1 " in contents.words[0]


def test_much_noise_is_counted_but_listed_only_in_part(tmp_path):
    contents = read(save(tmp_path, RMC, *["noise"] * 1500))
    assert len(contents.rejected) == 1000
    assert contents.counts["bad_sentences"] == 1500
    assert any(w.startswith("500 more") for w in contents.words)


def test_two_sentences_on_one_line_and_a_prefix(tmp_path):
    contents = read(save(tmp_path, f"12:00:01 {RMC[:30]}{RMC}"))
    assert len(contents.tracks) == 1
    assert contents.rejected[0].code == "sentence-cut"


def test_rmc_and_gga_of_one_second_are_one_epoch(tmp_path):
    t = track(tmp_path, gga("060000"), rmc("060000"), gga("060001"), rmc("060001"))
    assert (
        t.time.tolist()
        == np.array(["2031-05-04T06:00:00", "2031-05-04T06:00:01"], "M8[us]").tolist()
    )
    assert t.hdop.tolist() == [0.9, 0.9]
    assert t.course_deg.tolist() == [90, 90]


def test_no_fix_is_counted_and_no_position(tmp_path):
    contents = read(
        save(
            tmp_path,
            rmc("060000", status="V", lat=",", lon=","),
            gga("060001", quality=0),
            rmc("060002"),
        )
    )
    assert len(contents.tracks) == 1
    assert contents.counts["no_fix"] == 2
    assert contents.rejected == ()


def test_the_two_digit_year(tmp_path):
    # Two digits: 80 to 99 are 1980 to 1999 (GPS time begins in 1980), the others 2000 to 2079.
    for text, year in (("040580", 1980), ("040599", 1999), ("040500", 2000), ("040579", 2079)):
        t = track(tmp_path, rmc("060000", day=text))
        assert t.time[0] == np.datetime64(f"{year}-05-04T06:00:00")


def test_midnight_between_gga_and_rmc(tmp_path):
    t = track(
        tmp_path,
        gga("235958"),  # before any date
        rmc("235959"),
        gga("000000"),  # a new day that no RMC has said yet
        gga("000001"),
        rmc("000002", day="050531"),
        gga("000003"),
    )
    expected = np.datetime64("2031-05-04T23:59:58") + np.arange(6).astype("m8[s]")
    np.testing.assert_array_equal(t.time, expected)


def test_midnights_without_any_date(tmp_path):
    lines = [gga(c) for c in ("060000", "235959", "000000", "120000", "235959", "000001")]
    t = track(tmp_path, *lines, options=DAY)
    assert t.time[-1] == np.datetime64("2031-05-06T00:00:01")


def test_a_gap_of_days_before_a_dated_sentence(tmp_path):
    t = track(tmp_path, rmc("060000"), gga("070000"), rmc("070000", day="080531"))
    assert (
        t.time.tolist()
        == np.array(["2031-05-04T06:00:00", "2031-05-08T07:00:00"], "M8[us]").tolist()
    )


def test_a_missing_date_is_refused(tmp_path):
    with pytest.raises(FileError, match="no sentence of the log holds a date"):
        track(tmp_path, GGA)


def test_zda_gives_the_date(tmp_path):
    t = track(tmp_path, sentence("GPZDA,060000,04,05,2031,00,00"), gga("060001"))
    assert t.time[0] == np.datetime64("2031-05-04T06:00:01")


def test_time_running_backwards_costs_those_positions_only(tmp_path):
    contents = read(
        save(
            tmp_path,
            rmc("060000"),
            rmc("060001"),
            rmc("060000.5"),
            rmc("060002"),
            rmc("235900"),
            rmc("060003"),
        )
    )
    seconds = (contents.tracks.time - np.datetime64("2031-05-04T06:00:00")) / np.timedelta64(1, "s")
    assert seconds.tolist() in ([0, 1, 2, 3], [0, 0.5, 2, 3])
    assert {r.code for r in contents.rejected} == {"time-backwards"}
    assert len(contents.rejected) == 2
    assert contents.counts["track_points"] == 6


def test_sensors_are_attached_for_three_seconds_and_no_longer(tmp_path):
    hdt = sentence("GPHDT,100.0,T")
    t = track(tmp_path, rmc("060000"), hdt, *[rmc(f"06000{i}") for i in (2, 3, 4)])
    assert t.heading_deg[:3].tolist() == [100, 100, 100]
    assert np.isnan(t.heading_deg[3])


def test_the_nearest_sentence_of_a_burst_serves(tmp_path):
    lines = []
    for i in range(3):
        lines += [sentence(f"GPHDT,{i}.0,T"), rmc(f"06000{i}"), sentence(f"SDDPT,{i}.5,0.0")]
    t = track(tmp_path, *lines)
    assert t.depth_m.tolist() == [0.5, 1.5, 2.5]
    assert t.heading_deg[1:].tolist() == [1, 2]


def test_hdg_without_variation_is_magnetic(tmp_path):
    # BETKE: sensor heading, deviation E/W, variation E/W.
    t = track(tmp_path, rmc("060000"), sentence("HCHDG,98.3,2.0,W,,"))
    assert t.heading_mag_deg[0] == pytest.approx(96.3)
    assert np.isnan(t.heading_deg[0])


def test_hdg_without_deviation_is_said(tmp_path):
    contents = read(save(tmp_path, rmc("060000"), sentence("HCHDG,359.0,,,3.0,E")))
    assert contents.tracks.heading_deg[0] == pytest.approx(2.0)
    assert "no deviation" in contents.words[0]


def test_hdm_is_magnetic(tmp_path):
    t = track(tmp_path, rmc("060000"), sentence("HCHDM,45.5,M"))
    assert t.heading_mag_deg[0] == 45.5
    assert np.isnan(t.heading_deg[0])


def test_dbt_in_feet_or_fathoms_only(tmp_path):
    # The international foot is 0.3048 m and a fathom six of them, by definition.
    assert track(tmp_path, RMC, sentence("SDDBT,10.0,f,,M,,F")).depth_m[0] == pytest.approx(3.048)
    assert track(tmp_path, RMC, sentence("SDDBT,,f,,M,2.0,F")).depth_m[0] == pytest.approx(3.6576)


def test_gst_gives_the_error_of_the_fix(tmp_path):
    # NMEA 0183 GST: fields 6 and 7 are the standard errors in latitude and longitude, metres.
    text = sentence("GPGST,060000,1.1,2.0,1.0,45.0,1.5,2.5,3.0")
    parsed = pynmea2.parse(text)
    t = track(tmp_path, rmc("060000"), text)
    assert t.sigma_north_m[0] == parsed.std_dev_latitude == 1.5
    assert t.sigma_east_m[0] == parsed.std_dev_longitude == 2.5


def test_any_talker_and_other_types(tmp_path):
    lines = [RMC.replace("$GP", "$GN"), "!AIVDM,1,1,,A,x,0*66", sentence("PXYZ,1")]
    lines[0] = sentence(lines[0][1:-3])
    contents = read(save(tmp_path, *lines))
    assert len(contents.tracks) == 1
    assert contents.counts["sentences"] == 3


def test_agrees_with_pynmea2_on_a_random_log(tmp_path):
    rng = np.random.default_rng(5)
    lines = []
    for i in range(300):
        lat, lon = rng.uniform(0, 89), rng.uniform(0, 179)
        lines.append(
            rmc(
                f"{i // 60 + 6:02d}{i % 60:02d}00.25",
                lat=f"{int(lat):02d}{lat % 1 * 60:08.5f},{rng.choice(['N', 'S'])}",
                lon=f"{int(lon):03d}{lon % 1 * 60:08.5f},{rng.choice(['E', 'W'])}",
                rest=f"{rng.uniform(0, 30):.2f},{rng.uniform(0, 359):.1f}",
            )
        )
    t = track(tmp_path, *lines)
    parsed = [pynmea2.parse(line) for line in lines]
    np.testing.assert_allclose(t.lat, [p.latitude for p in parsed], rtol=0, atol=1e-11)
    np.testing.assert_allclose(t.lon, [p.longitude for p in parsed], rtol=0, atol=1e-11)
    np.testing.assert_allclose(t.speed_mps, [p.spd_over_grnd * 1852 / 3600 for p in parsed])
    assert t.course_deg.tolist() == [p.true_course for p in parsed]
    assert [v.replace(tzinfo=None) for v in (p.datetime for p in parsed)] == t.time.tolist()


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([RMC[:-2] + "00"], "none of its 1 sentences has a right checksum"),
        ([sentence("SDDPT,3.0,0.0")], "holds no position"),
        (["hello", "there"], "no NMEA 0183 log; it holds no sentence"),
        (["<?xml version='1.0'?><gpx/>"], "looks like GPX"),
        ([gga("060000", quality=0), rmc("060001", status="V")], "holds no position"),
    ],
)
def test_logs_without_use_are_refused(tmp_path, lines, words):
    with pytest.raises(FileError, match=words):
        inspect(save(tmp_path, *lines))


def test_no_log_is_written(tmp_path):
    with pytest.raises(FileError, match="can only be read, not written"):
        write(tmp_path / "a.nmea", Contents())


def test_longitude_180_is_minus_180(tmp_path):
    assert track(tmp_path, rmc("060000", lon="18000.000,E")).lon[0] == -180


def test_a_log_that_ends_with_the_sign_of_a_sentence_is_read(tmp_path):
    whole = b"$GPRMC,060000.00,A,4130.0000,N,00815.0000,W,4.0,090.0,040531,,,A*4E\r\n"
    path = tmp_path / "cut.nmea"
    for end in (b"$", b"!", b"$$"):
        path.write_bytes(whole + end)
        contents = inspect(path)
        assert {r.code for r in contents.rejected} == {"sentence-cut"}, end
        assert contents.counts["sentences"] == 1 + len(end)


@pytest.mark.parametrize("year", ["2034444444444441", "0000", "203", "20 1"])
def test_a_year_has_two_digits_or_four(tmp_path, year):
    """NMEA 0183, ZDA: a year of four digits (from memory)."""
    zda = sentence(f"GPZDA,060000,04,05,{year},00,00")
    contents = inspect(save(tmp_path, zda, rmc("060001")))
    assert [r.code for r in contents.rejected] == ["field-unreadable"]
    assert contents.tracks.time.tolist() == [datetime(2031, 5, 4, 6, 0, 1)]
