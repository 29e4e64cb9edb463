"""A recording is a text that a person can read, and says where it is wrong."""

import json
import resource
import signal

import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.recording import RecordingHeader, RecordingWriter, parse_recording, read_recording, replay

HEADER = '{"recording": "gaugelink", "version": 1}'


def test_what_is_written_is_read_again(tmp_path):
    path = tmp_path / "gauge.jsonl"
    with RecordingWriter(path, RecordingHeader(gauge="AA:BB", characteristic="fff1")) as writer:
        writer.frame(0.5, b"\x01\x02")
        writer.display(1.5, 20.5, PressureUnit.PSI, 0.5, hold_s=0.8)
        writer.link(2.0, "lost")
        writer.link(2.5, "back")
        writer.frame(2.6, b"\x03")
    recording = read_recording(path)
    assert recording.header.gauge == "AA:BB"
    assert recording.frames == [(0.5, b"\x01\x02"), (2.6, b"\x03")]
    assert recording.entries[1].display == 20.5
    assert [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()][1] == {
        "t_s": 0.5,
        "hex": "0102",
    }


@pytest.mark.parametrize("cut", ['{"t_s": 2.', '{"t_s": 2.0, "hex": "03', "{"])
def test_a_last_line_that_was_cut_as_it_was_written_costs_no_more_than_itself(tmp_path, cut):
    path = tmp_path / "gauge.jsonl"
    path.write_text(f'{HEADER}\n{{"t_s": 1.0, "hex": "01"}}\n{cut}', encoding="utf-8-sig")
    assert read_recording(path).frames == [(1.0, b"\x01")]
    path.write_text(f'{HEADER}\n{cut}\n{{"t_s": 3.0, "hex": "01"}}\n', encoding="utf-8")
    with pytest.raises(RecordingError, match="line 2: this is not JSON"):
        read_recording(path)


def test_a_disk_that_is_full_is_told_as_that_when_the_recording_ends_too(tmp_path):
    """What could not be written waits in the file's buffer, and is tried again when it is closed."""
    path = tmp_path / "gauge.jsonl"

    def record():
        with RecordingWriter(path, RecordingHeader()) as writer:
            for number in range(200):
                writer.frame(float(number), bytes(40))

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        with pytest.raises(RecordingError, match=r"gauge\.jsonl: the recording cannot be written"):
            record()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    assert len(read_recording(path).frames) > 20


def test_a_recording_never_writes_over_another(tmp_path):
    path = tmp_path / "gauge.jsonl"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(RecordingError, match="cannot be started"):
        RecordingWriter(path, RecordingHeader()).__enter__()
    assert path.read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], "header"),
        (["{}", ""], None),
        ([HEADER, "{"], "line 2: this is not JSON"),
        ([HEADER, "[" * 100_000], "line 2: this is nested too deeply"),
        ([HEADER, '{"t_s": 1}'], "line 2.*one of hex, display, link"),
        ([HEADER, '{"t_s": 1, "hex": "0g"}'], "line 2: hex"),
        ([HEADER, '{"t_s": 1, "hexx": "00"}'], "Did you mean 'hex'"),
        ([HEADER, '{"t_s": 1, "display": 20}'], "display and unit"),
        ([HEADER, '{"t_s": 2, "hex": "00"}', '{"t_s": 1, "hex": "00"}'], "line 3.*before the line above"),
        (['{"recording": "other", "version": 1}'], "line 1: recording"),
    ],
)
def test_a_wrong_line_is_named(lines, words):
    if words is None:
        assert parse_recording(lines, "x").entries == ()
        return
    with pytest.raises(RecordingError, match=words):
        parse_recording(lines, "x.jsonl")


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(RecordingError, match="cannot be read"):
        read_recording(tmp_path / "none.jsonl")


def test_a_replay_loses_and_finds_the_link_as_it_was_recorded():
    layout = load_layout(
        {"name": "x", "unit": "psi", "listen": {"characteristic": "fff1"}, "pressure": {"at": 0, "format": "u8"}}
    )
    lines = [
        HEADER,
        '{"t_s": 0, "hex": "01"}',
        '{"t_s": 1, "link": "lost"}',
        '{"t_s": 3, "link": "back"}',
        '{"t_s": 4, "hex": "02"}',
    ]
    reader = FrameReader("g", layout)
    batches = replay(parse_recording(lines, "x"), reader)
    assert [PressureUnit.PSI.from_kpa(batch.pressure_kpa[0]) for batch in batches] == pytest.approx([1, 2])
    assert reader.counts.reconnects == 1
    assert batches[1].lost_before >= 1
