#!/usr/bin/env python3
"""An independent listener: `listening_reader.py BANDWRIGHT SHEET UNIT` sends sound through `listen` and reads what comes out.

- A noise at 44.1, 48, 96 and 192 kHz, unmatched and in floating point, less what scipy.signal.sosfilt makes of it with
  cookbook filters of the sheet's own numbers, is below -120 dB of full scale.
- FLAC gives the bytes that its WAV gives. MP3, Ogg Vorbis and AAC give what ffmpeg decodes, through the same sosfilt, within
  1e-4 rms after whole samples of alignment. AAC at half rate is refused by name.
- Pairs of a noise, a sparse signal, a sweep and bursts like speech are as loud as each other within 0.1 dB: without a unit by
  ffmpeg's reading of ITU-R BS.1770, with it by an A-weighted reading of the whole spectrum through the unit's average curve,
  with the diffuse field of ITU-T P.58. No sample is above full scale.

Prints one line a check; exits with 1 if one fails. Needs Python 3.11, numpy, scipy and ffmpeg.
"""

import csv
import json
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.io import wavfile
from scipy.signal import chirp, sosfilt

from sheet_reader import cookbook

NULL_DB = -120.0
DECODED_RMS = 1e-4
LOUDNESS_DB = 0.1
FIELD = Path(__file__).parent.parent / "src/cost/field_to_eardrum.csv"

failed = []


def told(name, value, limit, unit):
    verdict = "ok" if value <= limit else "FAILS"
    if verdict != "ok":
        failed.append(name)
    print(f"{name}: {value:.3g} {unit}, at most {limit:g}: {verdict}")


def run(*words, fails=False):
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True)
    if (done.returncode != 0) != fails:
        sys.exit(f"{words}: {done.stdout}{done.stderr}")
    return done


def ffmpeg(*words):
    return run("ffmpeg", "-v", "error", "-y", *words)


def samples(path):
    rate_hz, data = wavfile.read(path)
    if data.dtype == np.int32:  # 24 bits, left-aligned
        data = data / 2.0**31
    return rate_hz, np.atleast_2d(np.asarray(data, dtype=float).T).T


def equalised(sheet, data, rate_hz):
    rows = [cookbook(section, rate_hz) for section in sheet["section"]]
    gain = 10 ** (sheet["level"]["preamp_db"] / 20)
    return sosfilt(np.array(rows), gain * data, axis=0)


def aligned_rms(a, b):
    """Least rms of a difference over whole-sample shifts up to 4096."""
    length = min(len(a), len(b)) - 8192
    middle = a[4096 : 4096 + length, 0]
    spectrum = np.fft.rfft(np.concatenate([middle, np.zeros(8192)]))
    other = b[: length + 8192, 0]
    other = np.concatenate([other, np.zeros(length + 8192 - len(other))])
    lag = int(np.argmax(np.fft.irfft(np.fft.rfft(other) * spectrum.conj(), len(other))[:8192]))
    length = min(length, len(b) - lag)
    return float(np.sqrt(np.mean((a[4096 : 4096 + length] - b[lag : lag + length]) ** 2)))


def signals(rate_hz=48000, seconds=10):
    chance = np.random.default_rng(4)
    count = rate_hz * seconds
    time = np.arange(count) / rate_hz
    noise = 0.2 * chance.standard_normal((count, 2))
    sparse = np.zeros((count, 2))
    sparse[rate_hz // 3 :: rate_hz // 2] = 0.8
    sweep = 0.5 * chirp(time, 20, seconds, 20000, method="logarithmic")
    bursts = 0.3 * chance.standard_normal(count) * (np.sin(2 * np.pi * 3 * time) > 0.3)
    bursts = sosfilt(cookbook_band(300, 3000, rate_hz), bursts)
    return {"noise": noise, "sparse": sparse, "sweep": np.column_stack([sweep, sweep]), "bursts": np.column_stack([bursts, 0.5 * bursts])}


def cookbook_band(low_hz, high_hz, rate_hz):
    from scipy.signal import butter

    return butter(2, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")


def at_ear_db(data, rate_hz, curve):
    """A-weighted level in the field through the unit: the spectrum of the whole signal, frequency by frequency."""
    frequency_hz, level_db = curve
    columns = list(csv.DictReader(line for line in FIELD.read_text(encoding="utf-8").splitlines() if not line.startswith("#")))
    known = [(float(row["frequency_hz"]), float(row["diffuse_db"])) for row in columns if row["table"] == "p58"]
    field = PchipInterpolator(np.log([f for f, _ in known]), [db for _, db in known])
    f = np.fft.rfftfreq(len(data), 1 / rate_hz)[1:]
    inside = np.clip(np.log(f), np.log(known[0][0]), np.log(known[-1][0]))
    f2 = f**2
    a = f2**2 * 12194.0**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2))
    weight = np.interp(np.log(f), np.log(frequency_hz), level_db) - field(inside)
    power = np.abs(np.fft.rfft(data, axis=0)[1:]) ** 2
    return 10 * np.log10(np.sum(power.sum(axis=1) * (a * 10 ** (weight / 20)) ** 2))


def bs1770_lufs(path):
    reading = "ebur128=metadata=1,ametadata=mode=print:key=lavfi.r128.I:file=-"
    out = run("ffmpeg", "-v", "error", "-i", path, "-af", reading, "-f", "null", "-").stdout
    return float(re.findall(r"lavfi.r128.I=(\S+)", out)[-1])


def main():
    program, sheet_path, unit_path = sys.argv[1:]
    sheet = tomllib.loads(Path(sheet_path).read_text(encoding="utf-8"))
    sheet_name = Path(sheet_path).name.removesuffix(".toml").removesuffix(".sheet")
    chance = np.random.default_rng(3)
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)

        def listened(music, *options):
            run(program, "listen", sheet_path, music, "-o", folder, "--quiet", *options)
            return folder / f"{music.stem}.{sheet_name}.wav"

        for rate_hz in (44100, 48000, 96000, 192000):
            music = folder / f"noise-{rate_hz}.wav"
            data = np.float32(0.3 * chance.standard_normal((rate_hz, 2)))
            wavfile.write(music, rate_hz, data)
            _, found = samples(listened(music, "--unmatched", "--depth", "float"))
            difference = found - equalised(sheet, data.astype(float), rate_hz)
            told(f"null at {rate_hz} Hz", 20 * np.log10(np.abs(difference).max()), NULL_DB, "dB")

        music = folder / "decoded.wav"
        data = 0.1 * chance.standard_normal((44100 * 6, 2))
        wavfile.write(music, 44100, np.int16(np.clip(data, -1, 1) * 32767))
        from_wav = listened(music, "--unmatched").read_bytes()
        flac = folder / "decoded.flac"
        ffmpeg("-i", music, flac)
        same = from_wav == listened(flac, "--unmatched").read_bytes()
        told("FLAC differs from its WAV", 0.0 if same else 1.0, 0.0, "files")
        for ending in ("mp3", "ogg", "m4a", "aac"):
            coded = folder / f"coded.{ending}"
            decoded = folder / "coded-decoded.wav"
            ffmpeg("-i", music, *(["-c:a", "libvorbis"] if ending == "ogg" else []), coded)
            ffmpeg("-i", coded, "-c:a", "pcm_f32le", decoded)
            rate_hz, expected = samples(decoded)
            _, found = samples(listened(coded, "--unmatched", "--depth", "float"))
            told(f"{ending} against ffmpeg", aligned_rms(equalised(sheet, expected, rate_hz), found), DECODED_RMS, "rms")
        half = folder / "half.aac"
        ffmpeg("-i", music, "-ar", "22050", half)
        refused = run(program, "listen", sheet_path, half, "-o", folder, fails=True).stderr
        told("AAC at half rate accepted", 0.0 if "HE-AAC" in refused else 1.0, 0.0, "files")

        curves = json.loads(run(program, "inspect", unit_path, "--json").stdout)["units"][0]["curves"]
        curve = (np.array(curves["frequency_hz"]), np.array(curves["average_db"]))
        for name, data in signals().items():
            music = folder / f"{name}.wav"
            wavfile.write(music, 48000, np.float32(data))
            untouched = folder / f"{name}.untouched.wav"
            for options in ((), ("--unit", unit_path)):
                found = listened(music, *options)
                pair = [samples(path)[1] for path in (untouched, found)]
                if options:
                    one, other = (at_ear_db(data, 48000, curve) for data in pair)
                else:
                    one, other = (bs1770_lufs(path) for path in (untouched, found))
                told(f"{name}, {'at the ear' if options else 'BS.1770'}", abs(one - other), LOUDNESS_DB, "dB")
                told(f"{name}, largest sample", max(np.abs(data).max() for data in pair), 1.0, "of full scale")
    if failed:
        sys.exit(f"{len(failed)} checks fail: {', '.join(failed)}")


main()
