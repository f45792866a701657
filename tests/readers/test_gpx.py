"""GPX: versions, extensions, times, damage."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.errors import UnreadableLogError
from flightproc.readers import gpx as reader
from flightproc.readers.content import Content
from flightproc.readers.geodesy import velocity_from_positions

pytestmark = pytest.mark.synthetic

HEAD = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
OLD = '<gpx version="1.0" xmlns="http://www.topografix.com/GPX/1/0">'


def read(text):
    data = text if isinstance(text, bytes) else text.encode()
    return reader.read("a.gpx", content=Content("a.gpx", data, "0" * 64))


def point(i, extra="", lat=47.0, time=True):
    stamp = f"<time>2026-05-01T10:{i // 60:02d}:{i % 60:02d}Z</time>" if time else ""
    return f'<trkpt lat="{lat + 1e-4 * i:.7f}" lon="8.0"><ele>{500 + i}</ele>{stamp}{extra}</trkpt>'


def track(points, head=HEAD):
    return f"{head}<trk><trkseg>{''.join(points)}</trkseg></trk></gpx>"


@pytest.mark.parametrize("head", [HEAD, OLD])
def test_positions_heights_and_derived_velocity(head):
    recording = read(track([point(i) for i in range(30)], head))
    assert recording.damage == ()
    assert recording.get("height").values[3] == 503.0
    north = recording.get("velocity_north")
    assert north.derived
    # 1e-4 deg of latitude at 47 deg is 11.117 m (meridional radius 6 369 611 m at 47 deg, plus height)
    assert north.values[15] == pytest.approx(11.118, abs=0.002)
    assert recording.get("velocity_east").values[15] == pytest.approx(0.0, abs=1e-9)
    assert recording.get("climb").values[15] == pytest.approx(1.0)
    assert recording.start_utc == 1_777_629_600.0


@pytest.mark.parametrize(
    ("head", "extra", "source"),
    [
        (OLD, "<course>90</course><speed>11</speed>", "speed and course"),
        (HEAD, "<speed>11</speed><course>90</course>", "extensions/speed and extensions/course"),
        (
            HEAD,
            '<extensions><a xmlns="urn:x"><b><speed>11</speed><course>90</course></b></a></extensions>',
            "extensions/speed and extensions/course",
        ),
    ],
)
def test_logged_speed_and_course_come_first(head, extra, source):
    recording = read(track([point(i, extra) for i in range(30)], head))
    first, second = recording.channels["velocity_east"]
    assert (first.source, first.derived, second.derived) == (source, False, True)
    assert first.values[4] == pytest.approx(11.0)
    assert recording.get("track").values[0] == pytest.approx(np.pi / 2)


def test_speed_in_another_unit_is_not_used_and_told():
    recording = read(track([point(i, "<speed>40</speed><course>0</course>") for i in range(30)]))
    assert recording.get("ground_speed") is None
    assert recording.get("velocity_north").derived
    assert any("as if it were in km/h" in note for note in recording.notes)


def test_other_extensions_are_listed():
    extra = "<extensions><hr>120</hr><colour>red</colour></extensions>"
    fields = {f.name: f for f in read(track([point(i, extra) for i in range(5)])).fields}
    assert (fields["extensions/hr"].samples, fields["extensions/hr"].note) == (5, "heart rate")
    assert fields["extensions/colour"].note == "text"


def test_no_times_gives_fields_and_no_channels():
    recording = read(track([point(i, time=False) for i in range(5)]))
    assert recording.channels == {}
    assert [d.code for d in recording.damage] == ["no_time"]
    assert recording.start_utc is None
    assert {f.name for f in recording.fields} >= {"trkpt.lat", "trkpt.lon", "ele"}


def test_times_that_stand_still_place_nothing():
    recording = read(track([point(0) for _ in range(50)]))
    assert recording.channels == {}
    assert "1 of 50 times advance" in recording.damage[0].what


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ('<rte><rtept lat="1" lon="2"/><rtept lat="1" lon="3"/></rte>', "only 2 route points"),
        ('<wpt lat="1" lon="2"><time>2026-05-01T10:00:00Z</time></wpt>', "only 1 waypoint:"),
    ],
)
def test_routes_and_waypoints_are_no_track(body, words):
    recording = read(f"{HEAD}{body}</gpx>")
    assert recording.channels == {}
    assert words in recording.damage[0].what


def test_gpx_without_points_is_an_error():
    with pytest.raises(UnreadableLogError, match="no point"):
        read(f"{HEAD}<trk><trkseg></trkseg></trk></gpx>")


def test_equal_and_backward_times_cost_their_points():
    order = [0, 1, 2, 2, 3, 1, 4, 5, 6, 7]
    recording = read(track([point(i) for i in order]))
    assert recording.get("height").time.tolist() == [0, 1, 2, 3, 4, 5, 6, 7]
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_time", 2)]


def test_wild_time_ahead_costs_one_point():
    wild = '<trkpt lat="47" lon="8"><time>2033-01-01T00:00:00Z</time></trkpt>'
    recording = read(track([point(i) for i in range(5)] + [wild] + [point(i) for i in range(5, 10)]))
    assert recording.span == (0.0, 9.0)


def test_tracks_out_of_order_are_put_in_order_and_not_joined():
    late, early = [point(i) for i in range(40, 50)], [point(i) for i in range(10)]
    text = (
        f"{HEAD}<trk><trkseg>{''.join(late)}</trkseg></trk><trk><trkseg>{''.join(early)}</trkseg></trk></gpx>"
    )
    recording = read(text)
    assert recording.damage == ()
    assert recording.get("height").values[[0, -1]].tolist() == [500.0, 549.0]
    # each piece by itself: the speed at its ends is that of the piece, not of the leap between the pieces
    np.testing.assert_allclose(recording.get("velocity_north").values, 11.118, atol=0.002)


def test_sub_second_times_and_zones():
    points = [
        f'<trkpt lat="47" lon="8"><time>2026-05-01T12:00:0{i}.{i}25+02:00</time></trkpt>' for i in range(3)
    ]
    recording = read(track(points))
    assert recording.get("latitude").time.tolist() == [0.0, 1.1, 2.2]
    assert recording.start_utc == pytest.approx(1_777_629_600.025)


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + track([point(0), point(1)]).encode(),
        ('<?xml version="1.0" encoding="UTF-16"?>' + track([point(0), point(1)])).encode("utf-16"),
        ('<?xml version="1.0" encoding="UTF-16"?>' + track([point(0), point(1)])).encode(),
        ('<?xml version="1.0" encoding="UTF-8"?><!-- é -->' + track([point(0), point(1)])).encode("latin-1"),
        ('<?xml version="1.0" encoding="nonsense"?>' + track([point(0), point(1)])).encode(),
    ],
)
def test_marks_and_wrong_declarations_of_encoding(data):
    assert reader.sniff(data)
    recording = read(data)
    assert recording.get("height").values.tolist() == [500.0, 501.0]
    assert {d.code for d in recording.damage} <= {"encoding"}


def test_cut_file_gives_its_whole_points_and_says_how_many():
    text = track([point(i) for i in range(20)])
    recording = read(text[: text.index('<trkpt lat="47.0015') + 40])
    assert recording.get("height").time.size == 15
    assert [(d.code, d.lost) for d in recording.damage] == [("cut", 1)]


def test_damage_in_the_middle_costs_only_what_it_hit():
    points = [point(i) for i in range(20)]
    points[7] = points[7].replace("</ele>", "</e<le>")
    recording = read(track(points))
    assert recording.get("height").time.size == 19
    assert [(d.code, d.lost) for d in recording.damage] == [("corrupt", 1)]


def test_odd_values_go_and_the_rest_stays():
    points = [point(0), point(1, "<fix>perhaps</fix>"), point(2, "<sat>many</sat>"), point(3)]
    points.append('<trkpt lat="north" lon="8"></trkpt>')
    points.append('<trkpt lat="47" lon="8"><time>yesterday</time></trkpt>')
    recording = read(track(points))
    assert recording.get("height").time.size == 4
    words = " ".join(d.what for d in recording.damage)
    for part in (
        'fix that the format does not know, such as "perhaps"',
        "sat that is no number",
        "without a valid position",
        'such as "yesterday"',
    ):
        assert part in words


def test_entities_are_refused_before_they_are_expanded():
    bomb = '<!DOCTYPE a [<!ENTITY x "ha"><!ENTITY y "&x;&x;&x;">]>' + track([point(0), point(1)])
    with pytest.raises(UnreadableLogError, match="entities"):
        read(bomb)


def test_dates_that_cannot_be_are_not_taken_for_utc():
    points = [f'<trkpt lat="47" lon="8"><time>1901-12-13T20:45:5{i}Z</time></trkpt>' for i in range(5)]
    recording = read(track(points))
    assert recording.start_utc is None
    assert recording.span == (0.0, 4.0)


@pytest.mark.parametrize("latitude", [0.0, 47.0, -60.0])
def test_velocity_against_the_length_of_a_degree(latitude):
    """Lengths of a degree of latitude and longitude on WGS 84, from the series in common use (to 1 m)."""
    phi = np.radians(latitude)
    lat_m = 111_132.954 - 559.822 * np.cos(2 * phi) + 1.175 * np.cos(4 * phi)
    lon_m = 111_412.84 * np.cos(phi) - 93.5 * np.cos(3 * phi) + 0.118 * np.cos(5 * phi)
    time = np.arange(5.0)
    step = np.radians(1e-4)
    north, east = velocity_from_positions(time, phi + step * time, step * time, np.zeros(5))
    assert north[2] == pytest.approx(lat_m * 1e-4, abs=1e-3)
    assert east[2] == pytest.approx(lon_m * 1e-4, abs=1e-3)


def test_velocity_across_the_date_line():
    time = np.arange(4.0)
    longitude = np.radians([179.9999, 180.0, -179.9999, -179.9998])
    _, east = velocity_from_positions(time, np.zeros(4), longitude, np.zeros(4))
    np.testing.assert_allclose(east, 11.132, atol=1e-3)


@pytest.mark.parametrize("version", ["1.0", "1.1"])
def test_a_sound_point_is_read_as_gpxpy_reads_it_and_any_other_is_left_to_gpxpy(version):
    import xml.etree.ElementTree as ET

    from flightproc.readers.gpx_points import _Collector, _plain

    sound = {
        "ele": " 812.5 ", "magvar": "-3", "geoidheight": "4.7e1", "sat": " 9", "hdop": "0.8", "vdop": "1",
        "pdop": ".5", "ageofdgpsdata": "2", "dgpsid": "17", "fix": "3d",
    }  # fmt: skip
    moving = {"speed": "11.25", "course": "359.9"} if version == "1.0" else {}

    def both(children):
        point = ET.Element("trkpt", lat="46.5", lon=" -20.25")
        for tag, text in children.items():
            ET.SubElement(point, tag).text = text
        theirs = _Collector(version)._by_gpxpy("trkpt", point, frozenset(children))
        ours = _plain(point, list(children.items()))
        return ours and (*ours[:2], dict(ours[2])), theirs and (*theirs[:2], dict(theirs[2]))

    ours, theirs = both(sound | moving)
    assert ours == theirs
    assert len(ours[2]) == 7 + len(moving)
    for empty in ("ele", "fix", "sat"):
        ours, theirs = both(sound | {empty: None})
        assert ours == theirs
    for bad in ({"ele": "high"}, {"sat": "7.5"}, {"fix": "4d"}, {"ele": "  "}, {"dgpsid": "x"}):
        assert both(sound | bad)[0] is None
