"""A sound: read from any recording (a phone's too), or heard by the machine's own microphone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.errors import FileFault, SourceFault

Array = NDArray[np.float64]

LONGEST_S = 120.0
RATE_HZ = 44_100


@dataclass(frozen=True)
class Sound:
    """Samples (n,) of one channel, -1 to 1, and how many a second."""

    samples: Array
    rate_hz: float


def read_sound(path: Path) -> Sound:
    """The first sound track of a file, its channels averaged, at most ``LONGEST_S`` of it.

    Raises:
        FileFault: it is missing, or holds no sound that can be read.
    """
    import av

    if path.is_dir():
        msg = f"'{path}' is a folder: give one recording of it."
        raise FileFault(msg)
    if not path.is_file():
        msg = f"{path} is missing: check the name."
        raise FileFault(msg)
    parts: list[Array] = []
    rate = 0.0
    try:
        with av.open(str(path)) as file:
            if not file.streams.audio:
                msg = f"{path} holds no sound: give a recording of the taps (WAV, or what a phone records)."
                raise FileFault(msg)
            stream = file.streams.audio[0]
            rate = float(stream.rate or 0)
            resampler = av.AudioResampler(format="fltp", layout="mono", rate=int(rate) or RATE_HZ)
            count = 0
            for frame in file.decode(stream):
                for out in resampler.resample(frame):
                    parts.append(np.asarray(out.to_ndarray(), dtype=float).ravel())
                    count += len(parts[-1])
                if rate and count > LONGEST_S * rate:
                    break
    except (av.FFmpegError, OSError, ValueError) as err:
        msg = f"{path} is no recording that can be read ({err}): give WAV, or what a phone records."
        raise FileFault(msg) from err
    if not parts or rate <= 0:
        msg = f"{path} holds no sound: record the taps anew."
        raise FileFault(msg)
    return Sound(np.concatenate(parts)[: int(LONGEST_S * rate)], rate)


def listen(seconds: float) -> Sound:
    """What the microphone hears.

    Raises:
        SourceFault: there is none.
    """
    try:
        import sounddevice

        heard = sounddevice.rec(int(seconds * RATE_HZ), samplerate=RATE_HZ, channels=1, dtype="float32", blocking=True)
    except (OSError, ImportError, ValueError) as err:
        msg = f"no microphone can be listened to ({err}): record the taps with a phone and give the file (on Linux the library is 'libportaudio2')."
        raise SourceFault(msg) from err
    except Exception as err:  # the library's own kind of fault has no common ground with others
        if type(err).__module__.split(".")[0] != "sounddevice":
            raise
        msg = (
            f"no microphone can be listened to ({err}): plug one in, or record the taps with a phone and give the file."
        )
        raise SourceFault(msg) from err
    return Sound(np.asarray(heard, dtype=float).ravel(), float(RATE_HZ))
