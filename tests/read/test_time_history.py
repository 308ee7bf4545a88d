"""Time histories against files written by other libraries: soundfile, scipy, sox, h5py, pyuff."""

from __future__ import annotations

import shutil
import subprocess
import tomllib

import h5py
import numpy as np
import pytest
import pyuff
import scipy.io
import soundfile
from scipy.io import wavfile

from reportgen.read.describe_record import describe_record
from reportgen.read.time_history import looks_like_time_history, read_time_history
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line

G = 9.80665
RATE = 51200
N = 5003
SIGNAL = np.random.default_rng(8).uniform(-0.9, 0.9, (N, 3))


def read(path, mapping=(), **options):
    assert looks_like_time_history(path)
    return read_time_history(path, f"logs/{path.name}", mapping, **options)


def read_well(path, mapping=(), **options):
    history, findings = read(path, mapping, **options)
    assert history is not None, findings
    return history


def errors(findings):
    return [finding_line(each) for each in findings if each.severity == "error"]


# WAV ------------------------------------------------------------------------------------------------------------------

FULL_SCALE = {"PCM_16": 2**-15, "PCM_24": 2**-23, "PCM_32": 2**-31, "PCM_U8": 2**-7, "FLOAT": 1e-7, "DOUBLE": 1e-15}


@pytest.mark.parametrize("subtype", FULL_SCALE)
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_wav_integers_have_full_scale_one(tmp_path, subtype, container):
    """Quantisation of one step of the sample type is all that may differ (two's complement scaling)."""
    path = tmp_path / "a.bin"
    soundfile.write(path, SIGNAL, RATE, subtype=subtype, format=container)
    history = read_well(path, [("C1", "channel 3 / (50 g)"), ("A1", "ch 1 / (m/s^2)")])
    assert history.sample_rate_hz == RATE
    assert history.samples == N
    assert np.abs(history.read()[:, 0] / (50 * G) - SIGNAL[:, 2]).max() <= FULL_SCALE[subtype]
    assert np.abs(history.read()[:, 1] - SIGNAL[:, 0]).max() <= FULL_SCALE[subtype]


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_companded_wav(tmp_path, subtype):
    """ITU-T G.711, from memory: a step is a sixteenth of its segment, so at most 1/32 of the value off."""
    soundfile.write(tmp_path / "a.wav", SIGNAL, RATE, subtype=subtype)
    found = read_well(tmp_path / "a.wav", [("A1", "channel 1 / (1 m/s^2)")]).read()[:, 0]
    assert np.all(np.abs(found - SIGNAL[:, 0]) <= np.abs(SIGNAL[:, 0]) / 31 + 2**-11)


@pytest.mark.parametrize("kind, scale", [("int16", 2**15), ("int32", 2**31), ("float32", 1), ("float64", 1)])
def test_wav_written_by_scipy(tmp_path, kind, scale):
    stored = (SIGNAL * scale).astype(kind)
    wavfile.write(tmp_path / "a.wav", RATE, stored)
    found = read_well(tmp_path / "a.wav", [(f"A{k}", f"channel {k} / (1 m/s^2)") for k in (1, 2, 3)]).read()
    np.testing.assert_allclose(found, stored.astype(float) / scale, atol=1e-9)


@pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed")
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_wav_written_by_sox(tmp_path, bits):
    subprocess.run(
        [
            "sox",
            "-n",
            "-r",
            "48000",
            "-b",
            str(bits),
            "-c",
            "2",
            tmp_path / "a.wav",
            "synth",
            "0.5",
            "sine",
            "100",
            "vol",
            "0.5",
        ],
        check=True,
    )
    found = read_well(tmp_path / "a.wav", [("A1", "channel 2 / (1 m/s^2)")])
    x = found.read()[:, 0]
    assert found.sample_rate_hz == 48000
    assert np.sqrt(2 * np.mean(x**2)) == pytest.approx(0.5, rel=1e-3)


def test_wav_that_breaks_off_is_read_to_the_break(tmp_path):
    whole = tmp_path / "whole.wav"
    soundfile.write(whole, SIGNAL, RATE, subtype="FLOAT")
    (tmp_path / "a.wav").write_bytes(whole.read_bytes()[: 12 * 3000 + 87])
    history, findings = read(tmp_path / "a.wav", [("A1", "channel 2 / (1 m/s^2)")])
    assert 2990 < history.samples <= 3000
    assert f"promises {N} samples" in said(history.damage)
    assert any(each.severity == "warning" and "damaged" in said(each.message) for each in findings)
    np.testing.assert_allclose(history.read()[:, 0], SIGNAL[: history.samples, 1], atol=1e-7)


def test_wav_without_a_unit_is_an_error_in_a_job_and_a_warning_at_the_bench(tmp_path):
    soundfile.write(tmp_path / "a.wav", SIGNAL, RATE)
    history, findings = read(tmp_path / "a.wav", [("A1", "channel 2")])
    assert history is None
    assert '"A1" = "channel 2 / (50 g)"' in errors(findings)[0]
    history, findings = read(tmp_path / "a.wav")
    assert history.dimensions == ("ratio",) * 3
    assert not errors(findings)


def test_mapping_to_a_channel_that_is_not_there_names_those_that_are(tmp_path):
    soundfile.write(tmp_path / "a.wav", SIGNAL, RATE)
    history, findings = read(tmp_path / "a.wav", [("A1", "channel 4 / g")], where="job.toml:31")
    assert history is None
    assert errors(findings) == [
        "job.toml:31: error: A1 = 'channel 4 / g': no channel 'channel 4'; "
        "the file holds channel 1, channel 2, channel 3"
    ]


# HDF5 -----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def hdf5(tmp_path):
    path = tmp_path / "a.dat"
    with h5py.File(path, "w") as file:
        group = file.create_group("run 1")
        group.attrs["sample_rate"] = float(RATE)
        file.attrs["operator"] = "N. N."
        single = group.create_dataset("A1", data=SIGNAL[:, 0], chunks=(512,), compression="gzip", shuffle=True)
        single.attrs["units"] = np.bytes_("g")
        wide = group.create_dataset("rows", data=SIGNAL.T.astype(np.float32))
        wide.attrs["unit"] = ["g", "m/s^2", "V"]
        group.create_dataset("label", data="no numbers")
    return path


def test_hdf5_data_sets_and_columns_with_their_own_units(hdf5):
    history = read_well(hdf5, [("A1", "/run 1/A1"), ("A2", "/run 1/rows[2]"), ("A3", "/run 1/rows[3] / (10 g)")])
    assert history.sample_rate_hz == RATE
    expected = SIGNAL * [G, 1.0, 10 * G]
    np.testing.assert_allclose(history.read(), expected, atol=1e-4)
    assert list(map(said, history.remarks)) == ["operator = N. N."]


def test_hdf5_rate_from_a_data_set_of_times(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["time"] = np.arange(N) / RATE + 2.0
        file["A1"] = SIGNAL[:, 0]
    history = read_well(tmp_path / "a.h5", [("A1", "A1 / g")])
    assert history.sample_rate_hz == pytest.approx(RATE, rel=1e-9)
    assert history.start_s == 2.0


def test_hdf5_without_a_rate_asks_for_it_and_takes_it_from_the_mapping(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["A1"] = SIGNAL[:, 0]
    history, findings = read(tmp_path / "a.h5", [("A1", "A1 / g")])
    assert history is None
    assert '"sample rate" = "51.2 kHz"' in errors(findings)[0]
    assert read_well(tmp_path / "a.h5", [("A1", "A1 / g"), ("sample rate", "51.2 kHz")]).sample_rate_hz == RATE


def test_hdf5_that_breaks_off_is_refused_with_what_to_do(hdf5):
    hdf5.write_bytes(hdf5.read_bytes()[:20_000])
    history, findings = read(hdf5)
    assert history is None
    assert "copy it again" in errors(findings)[0]


def test_channels_of_another_rate_are_told_and_left_out(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name, data, rate in (
            ("A1", SIGNAL[:, 0], RATE),
            ("A2", SIGNAL[:, 1], RATE),
            ("T", 20.0 + SIGNAL[:50, 2], 10),
        ):
            file[name] = data
            file[name].attrs["fs"] = rate
    history, findings = read(tmp_path / "a.h5")
    assert history.channels == ("/A1", "/A2")
    assert any("/T: 50 samples at 10 Hz" in said(each.message) for each in findings)


# MAT ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [{"format": "4"}, {"format": "5"}, {"format": "5", "do_compression": True}])
def test_mat_variables_and_their_columns(tmp_path, options):
    scipy.io.savemat(tmp_path / "a.mat", {"Fs": float(RATE), "a1": SIGNAL[:, 0], "m": SIGNAL, "unit": "g"}, **options)
    history = read_well(tmp_path / "a.mat", [("A1", "a1 / (m/s^2)"), ("A3", "m[3]")])
    assert history.sample_rate_hz == RATE
    np.testing.assert_allclose(history.read(), SIGNAL[:, [0, 2]] * [1.0, G], rtol=1e-14)


def test_mat_v7_3_is_hdf5_behind_a_header_of_512_bytes(tmp_path):
    path = tmp_path / "a.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["a1"] = SIGNAL[:, :1].T
        file["fs"] = np.array([[float(RATE)]])
    with path.open("r+b") as stream:
        stream.write(b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM")
    history = read_well(path, [("A1", "a1 / g")])
    assert history.sample_rate_hz == RATE
    np.testing.assert_allclose(history.read()[:, 0], SIGNAL[:, 0] * G)


def test_broken_mat_file_is_refused(tmp_path):
    scipy.io.savemat(tmp_path / "a.mat", {"a1": SIGNAL[:, 0]})
    (tmp_path / "a.mat").write_bytes((tmp_path / "a.mat").read_bytes()[:150])
    history, findings = read(tmp_path / "a.mat")
    assert history is None
    assert errors(findings)


def test_a_variable_too_large_for_memory_is_refused_with_the_way_out(tmp_path, monkeypatch):
    """In version 4 a variable is one piece; in 7.3 it is not. What fits beside it is read."""
    monkeypatch.setattr("reportgen.read.formats.mat._LARGEST", 8 * len(SIGNAL))
    big = {"big": np.column_stack([SIGNAL, SIGNAL]), "fs": float(RATE)}
    scipy.io.savemat(tmp_path / "a.mat", big, format="4")
    history, findings = read(tmp_path / "a.mat")
    assert history is None
    assert "variable 'big' takes" in errors(findings)[0]
    assert "save it as version 7 or 7.3" in errors(findings)[0]
    scipy.io.savemat(tmp_path / "a.mat", {"big": SIGNAL, "a1": SIGNAL[:, 0], "fs": float(RATE)}, format="4")
    history, findings = read(tmp_path / "a.mat", [("A1", "a1 / g")])
    assert history is not None
    assert any("variable 'big' takes" in said(each.message) for each in findings)


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("kind", ["float64", "float32", "int16"])
def test_a_large_variable_is_read_in_pieces_as_scipy_wrote_it(tmp_path, monkeypatch, compressed, lying, kind):
    """The numbers as stored, whatever their type, whichever way they lie, with other variables before and after."""
    stored = np.rint(1000 * SIGNAL).astype(kind)
    scipy.io.savemat(
        tmp_path / "a.mat",
        {"note": "text", "s": {"x": 1.0}, "m": stored.T if lying else stored, "c": SIGNAL + 1j, "fs": float(RATE)},
        do_compression=compressed,
    )
    monkeypatch.setattr("reportgen.read.formats.mat._LARGEST", 64)
    monkeypatch.setattr("reportgen.read.formats.mat_pieces._PIECE", 4096)
    history, findings = read(tmp_path / "a.mat", [(f"A{k}", f"m[{k}] / (m/s^2)") for k in (1, 2)])
    assert history is not None, findings
    assert history.sample_rate_hz == RATE
    np.testing.assert_array_equal(history.read(), stored[:, :2].astype(float))
    np.testing.assert_array_equal(history.read(100, 333), stored[100:333, :2].astype(float))


def test_a_large_variable_that_breaks_off_is_told(tmp_path, monkeypatch):
    scipy.io.savemat(tmp_path / "a.mat", {"fs": float(RATE), "a1": SIGNAL[:, 0], "m": SIGNAL}, do_compression=False)
    whole = (tmp_path / "a.mat").read_bytes()
    (tmp_path / "a.mat").write_bytes(whole[: len(whole) - SIGNAL.nbytes // 2])
    monkeypatch.setattr("reportgen.read.formats.mat._LARGEST", 64)
    history, findings = read(tmp_path / "a.mat", [("A1", "a1 / g")])
    assert history is None or any("'m'" in finding_line(each) for each in findings)
    assert findings


# Dataset 58 -----------------------------------------------------------------------------------------------------------


def write_universal(path, *, binary, signal=SIGNAL, **fields):
    for k in range(signal.shape[1]):
        data = {
            "type": 58, "binary": binary, "func_type": 1, "rsp_node": 12 + k, "rsp_dir": 3, "ref_node": 1, "ref_dir": 0,
            "data": signal[:, k].copy(), "x": np.arange(len(signal)) / RATE, "id1": f"A{k + 1}", "n_bytes": 0,
            "id3": "01-Mar-26 10:00:00",
            "abscissa_spacing": 1, "abscissa_spec_data_type": 17, "ordinate_spec_data_type": 12,
            "orddenom_spec_data_type": 0, "ordinate_axis_units_lab": "g",
        } | fields  # fmt: skip
        pyuff.UFF(str(path)).write_sets(data, "add")


@pytest.mark.parametrize("binary", [0, 1])
def test_universal_file_written_by_pyuff(tmp_path, binary):
    path = tmp_path / "a.unv"
    write_universal(path, binary=binary)
    history = read_well(path, [("C1", "A1"), ("A1", "set 2"), ("A2", "node 14+Z / (2 g)")])
    assert history.sample_rate_hz == RATE, "the increment is written with six digits and must be rounded back"
    np.testing.assert_allclose(history.read(), SIGNAL * [G, G, 2 * G], atol=2e-10)
    np.testing.assert_allclose(history.read(1001, 1019), SIGNAL[1001:1019] * [G, G, 2 * G], atol=2e-10)
    theirs = pyuff.UFF(str(path)).read_sets([0, 1, 2])
    np.testing.assert_allclose(history.read()[:, 1], theirs[1]["data"] * G, atol=1e-15)


def test_a_marker_inside_binary_numbers_is_none(tmp_path):
    signal = SIGNAL.copy()
    signal[100:102, 0] = np.frombuffer(b"\n    -1\n    -1\n\n", "<f8")
    write_universal(tmp_path / "a.unv", binary=1, signal=signal)
    np.testing.assert_array_equal(read_well(tmp_path / "a.unv").read() / G * G, signal * G / G * G)


@pytest.mark.parametrize("binary, cut", [(0, 3000), (1, 3000)])
def test_universal_file_that_breaks_off_is_read_to_the_break(tmp_path, binary, cut):
    write_universal(tmp_path / "whole.unv", binary=binary)
    (tmp_path / "a.unv").write_bytes((tmp_path / "whole.unv").read_bytes()[:-cut])
    history, findings = read(tmp_path / "a.unv")
    assert history.channels == ("A1", "A2", "A3")
    assert N - 400 < history.samples < N - 100
    assert "set 3 (A3) breaks off" in said(history.damage)
    np.testing.assert_allclose(history.read(), SIGNAL[: history.samples] * G, atol=2e-10)
    assert not errors(findings)


def card(text=""):
    return text.ljust(80)


def hand_written(values, *, step="1.95312E-005", unit="m/s²", kind=12, eol="\r\n", function=1, form=2, spacing=1):
    """A set as other programs write them: three-digit exponents, Latin-1, CRLF, blanks, columns that touch."""
    lines = [
        "    -1", "    58", card("Rüttler ABSCHNITT 7"), card("NONE"), card("12-FEB-99  09:15:00"), card("NONE"),
        card("NONE"),
        f"{function:5d}{0:10d}{0:5d}{0:10d}{' NONE':<11}{7:10d}{-1:4d}{' NONE':<11}{0:10d}{0:4d}",
        f"{form:10d}{len(values):10d}{spacing:10d} 0.00000E+000{step:>13} 0.00000E+000",
        f"{17:10d}{0:5d}{0:5d}{0:5d} {'Time':<20} {'s':<20}",
        f"{kind:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {unit:<20}",
        f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {'NONE':<20}",
        f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {'NONE':<20}",
    ]  # fmt: skip
    cells = [f"{value:13.5E}".replace("E+", "E+0").replace("E-", "E-0")[-13:] for value in values]
    lines += ["".join(cells[i : i + 6]) + ("  " if i else "") for i in range(0, len(cells), 6)]
    return eol.join([*lines, "    -1", ""]).encode("latin-1")


@pytest.mark.parametrize("eol", ["\n", "\r\n"])
def test_text_set_with_three_digit_exponents_latin_1_and_a_short_last_row(tmp_path, eol):
    values = -np.abs(SIGNAL[:23, 0])
    (tmp_path / "a.uff").write_bytes(hand_written(values, eol=eol))
    history = read_well(tmp_path / "a.uff")
    assert history.sample_rate_hz == RATE
    assert history.channels == ("Rüttler ABSCHNITT 7",)
    assert history.display_units == ("m/s²",)
    np.testing.assert_allclose(history.read()[:, 0], values, rtol=1e-5)


def test_unit_from_dataset_164_where_the_label_is_missing(tmp_path):
    """Numbers in file units over the factor are SI: with a length factor of 1000 the file is in millimetres."""
    factors = [1000.0, 1.0, 1.0]
    units = "    -1\n   164\n         5mm (milli-newton)             2\n"
    units += "".join(f"{each:25.17E}" for each in factors).replace("E", "D") + "\n" + f"{0.0:25.17E}\n    -1\n"
    (tmp_path / "a.uff").write_bytes(units.encode() + hand_written(SIGNAL[:40, 0], unit="NONE", eol="\n"))
    history = read_well(tmp_path / "a.uff")
    np.testing.assert_allclose(history.read()[:, 0], SIGNAL[:40, 0] / 1000.0, rtol=1e-5, atol=1e-8)


def test_sets_that_are_no_time_response_are_named(tmp_path):
    (tmp_path / "a.uff").write_bytes(hand_written(SIGNAL[:40, 0], function=4))
    history, findings = read(tmp_path / "a.uff")
    assert history is None
    assert "function type 4" in errors(findings)[0]


# Text -----------------------------------------------------------------------------------------------------------------


def table(
    time_format="{:.6f}", rate=12800, rows=4000, header="time [s],C1 [g],A1 [m/s^2]\n", separator=",", decimal="."
):
    lines = [
        separator.join([time_format.format(k / rate), *(f"{each:.6e}" for each in SIGNAL[k, :2])]).replace(".", decimal)
        for k in range(rows)
    ]
    return header + "\n".join(lines) + "\n"


def test_csv_one_column_a_channel(tmp_path):
    (tmp_path / "a.csv").write_text("# tape 7\n" + table(), encoding="utf-8")
    history = read_well(tmp_path / "a.csv")
    assert history.channels == ("C1", "A1")
    assert history.sample_rate_hz == 12800, "from times of six decimals"
    assert history.remarks
    np.testing.assert_allclose(history.read(), SIGNAL[:4000, :2] * [G, 1.0], atol=1e-5)


def test_csv_with_decimal_comma_units_in_a_row_and_a_line_cut_short(tmp_path):
    text = table(header="Prüfung;am 3.;März\n\nZeit;Ch 1;Ch 2\ns;g;m/s²\n", separator=";", decimal=",")
    (tmp_path / "a.csv").write_bytes(text[:-18].replace("\n", "\r\n").encode("cp1252"))
    history, findings = read(tmp_path / "a.csv", [("C1", "Ch 1 / (50 g)"), ("A1", "Ch 2")])
    assert history.samples == 3999
    assert "breaks off" in said(history.damage)
    np.testing.assert_allclose(history.read(), SIGNAL[:3999, :2] * [50 * G, 1.0], atol=1e-3)
    assert not errors(findings)


def test_csv_without_a_header(tmp_path):
    (tmp_path / "a.txt").write_text(table(header=""), encoding="utf-8")
    history = read_well(tmp_path / "a.txt", [("C1", "column 2 / g")])
    np.testing.assert_allclose(history.read()[:, 0], SIGNAL[:4000, 0] * G, atol=1e-5)


def test_csv_with_a_gap_in_time_is_refused_at_its_line(tmp_path):
    lines = table().splitlines(keepends=True)
    (tmp_path / "a.csv").write_text("".join(lines[:3001] + lines[3051:]), encoding="utf-8")
    history, findings = read(tmp_path / "a.csv")
    assert history is None
    assert errors(findings)[0].startswith("logs/a.csv:3002: error: time goes on by 0.003984")


@pytest.mark.parametrize(
    "text",
    [
        "time [s],frequency [Hz],C1 [g]\n" + "".join(f"{k / 5000},{20 + k / 10},1.0\n" for k in range(500)),
        "time [s],C1 [g]\n" + "".join(f"{k / 5},1.0\n" for k in range(500)),
        "frequency [Hz],C1 [g]\n" + "".join(f"{20 + k / 10},1.0\n" for k in range(500)),
        "just words\n" * 20,
        "",
    ],
    ids=["sweep log", "slow", "no time", "words", "empty"],
)
def test_what_is_no_time_history(tmp_path, text):
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    assert not looks_like_time_history(tmp_path / "a.csv")


# What all have in common ----------------------------------------------------------------------------------------------


def every_format(folder):
    write_universal(folder / "text.unv", binary=0)
    write_universal(folder / "binary.unv", binary=1)
    soundfile.write(folder / "a.wav", SIGNAL, RATE, subtype="DOUBLE")
    scipy.io.savemat(folder / "a.mat", {"fs": float(RATE), "A": SIGNAL, "unit": "g"})
    with h5py.File(folder / "a.h5", "w") as file:
        file["A"] = SIGNAL
        file["A"].attrs.update({"fs": RATE, "unit": "g"})
    rows = "\n".join(f"{k / RATE:.9f}," + ",".join(f"{v:.12e}" for v in SIGNAL[k]) for k in range(N))
    (folder / "a.csv").write_text("time [s],A1 [g],A2 [g],A3 [g]\n" + rows + "\n", encoding="utf-8")
    return sorted(folder.iterdir())


def test_pieces_are_the_whole_in_every_format(tmp_path):
    rng = np.random.default_rng(3)
    for path in every_format(tmp_path):
        history = read_well(path)
        scale = 1.0 if path.suffix == ".wav" else G
        assert history.sample_rate_hz == pytest.approx(RATE, rel=1e-6), path.name
        for start, stop in [(0, 1), (N - 1, N), *np.sort(rng.integers(0, N, (12, 2)), axis=1).tolist()]:
            np.testing.assert_allclose(
                history.read(start, stop), SIGNAL[start:stop] * scale, atol=2e-10, err_msg=path.name
            )
        last, first = history.channels[2], history.channels[0]
        two = history.only((last, first)).read(100, 200)
        np.testing.assert_allclose(two, SIGNAL[100:200, [2, 0]] * scale, atol=2e-10, err_msg=path.name)


def test_inspection_gives_a_mapping_that_can_be_pasted(tmp_path):
    for path in every_format(tmp_path):
        text = describe_record(path, said)
        assert f"{N}" in text
        if path.suffix == ".wav":
            assert "# fill in what a stored 1 means" in text
            continue
        mapping = tomllib.loads(text[text.index("[run.columns]") :])["run"]["columns"]
        history = read_well(path, list(mapping.items()))
        np.testing.assert_allclose(history.read(), SIGNAL * G, atol=2e-9, err_msg=path.name)
