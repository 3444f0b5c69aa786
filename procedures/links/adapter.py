#!/usr/bin/env python3
"""A link to a torque unit: stallmark-link 1 on standard input and output.

A complete example to begin from. Python 3.9 or later, nothing but its standard library.
Everything about your device is in the class `Unit`: put calls to your device in the place of the
bodies there, set SIMULATED to False, and run

    stallmark link check -- python3 adapter.py

The shipped `Unit` pretends a small torque unit in real time, and says that it does.

This program is not a safety function. Guards, emergency stop and safe torque off are, under the
risk assessment of the site.

Threads, and what each may wait for:
    reader   standard input and the device      requests, one after the other
    sampler  the device                         samples of a take
    watcher  the device                         safety lines; tells what happened to the torque
    writer   standard output                    the only one that writes there
    dead-man nothing at all                     takes torque away when feeds stay away
"""
from __future__ import annotations

import argparse
import array
import json
import math
import os
import queue
import random
import signal
import struct
import sys
import threading
import time
import zlib

# ---------------------------------------------------------------------------------- frames

MAGIC = 0xB5
CONTROL, SAMPLES, WAVEFORM = 1, 2, 3
LARGEST = 4 * 1024 * 1024  # bytes of a payload
LARGEST_CONTROL = 64 * 1024  # no request is larger; a larger one would hold up the other threads
HEAD = struct.Struct("<BBHII")  # magic, kind, 0, sequence, length of the payload
CHECK = struct.Struct("<I")
BLOCK = struct.Struct("<IIddIHH7dIId")


class Void(Exception):
    """What came counts for nothing, and nor does anything after it: torque off, then the end."""


class Refused(Exception):
    """A request that is answered with ok: false; the link stays alive."""

    def __init__(self, code: str, what: str):
        super().__init__(what)
        self.code = code


def encode(kind: int, sequence: int, payload: bytes) -> bytes:
    head = HEAD.pack(MAGIC, kind, 0, sequence & 0xFFFFFFFF, len(payload))
    return head + CHECK.pack(zlib.crc32(payload, zlib.crc32(head))) + payload


def read_frame(stream, sequence: int):
    """One frame as (kind, payload); None at the end of input. Raises Void."""
    header = stream.read(HEAD.size + CHECK.size)
    if header == b"":
        return None
    if len(header) < HEAD.size + CHECK.size:
        raise Void("the input ended within a header")
    head = header[: HEAD.size]
    magic, kind, reserved, number, length = HEAD.unpack(head)
    if magic != MAGIC or reserved != 0:
        raise Void(f"a frame begins with 0x{magic:02x}, not 0x{MAGIC:02x}")
    if kind not in (CONTROL, WAVEFORM):
        raise Void(f"a frame is of kind {kind}; this program sends 1 and 3")
    if length > (LARGEST_CONTROL if kind == CONTROL else LARGEST):
        raise Void(f"a frame of kind {kind} announces {length} bytes")
    payload = stream.read(length)
    if len(payload) < length:
        raise Void("the input ended within a payload")
    if CHECK.unpack(header[HEAD.size :])[0] != zlib.crc32(payload, zlib.crc32(head)):
        raise Void("the check sum of a frame is wrong")
    if number != sequence & 0xFFFFFFFF:
        raise Void(f"frame {number} came where {sequence} was due")
    return kind, payload


def _no_number(text: str):
    raise ValueError(f"{text[:20]} is no number of this protocol")


def read_control(payload: bytes) -> dict:
    """The request in a control frame. Raises Void."""
    try:
        message = json.loads(
            payload.decode("utf-8"),
            parse_constant=_no_number,  # NaN and Infinity
            # Thousands of digits would take a second, in which no other thread runs.
            parse_int=lambda text: int(text) if len(text) < 20 else _no_number(text),
        )
    except (ValueError, RecursionError) as error:
        raise Void(f"a control frame cannot be read: {error}") from error
    if not isinstance(message, dict):
        raise Void("a control frame holds no JSON object")
    return message


# ---------------------------------------------------------------------------------- device


class Waveform:
    """Torque in N·m, one value per update."""

    def __init__(self, values, rate: float, smoothing: int, slew: float):
        self.values = values
        self.rate = rate
        self.smoothing = smoothing
        self.slew = slew  # N·m/s; infinite where none was asked for


class Unit:
    """The device. Replace the bodies by calls to your own; keep names, units and the two rules:

    1. `off` never waits: no lock that another call holds while it talks to the device, no file,
       no answer. Give it a line, a relay or a connection of its own.
    2. Once `close` was called, power cannot come back.
    """

    SIMULATED = True  # False for a real device. Then a person must confirm before power.
    NAME = "example-torque-unit"
    MAKER = "example"
    VERSION = "1"
    CHANNELS = (
        ("command", "N·m"),  # as latched
        ("current", "A"),
        ("torque", "N·m"),
        ("supply", "V"),
        ("winding", "°C"),
    )
    RATE = 20_000.0  # samples a second
    UPDATES = 2_000.0  # updates a second at most
    SMOOTHING = (0, 1, 2, 3, 4, 5)
    DEAD_MAN = (0.02, 0.5)  # s, least and most
    MOST_TORQUE = 15.0  # N·m: greatest ceiling that it can hold
    CEILING_STEP = 0.0  # N·m between two ceilings that can be set; 0: any

    TIME_CONSTANT = 1e-3  # s, torque after command
    TORQUE_PER_AMPERE = 0.6  # N·m/A
    SMOOTHING_STEP = 1e-3  # s of the first-order filter per setting
    STEPS = {"current": 1e-3, "torque": 6e-4, "supply": 1e-2, "winding": 0.1}  # one bit

    def __init__(self, arguments: argparse.Namespace):
        self._names = arguments
        self.fault = 0  # 0 none, 11 dead-man, 12 over-torque, 13 safety line, 14 anything else
        self.complaint = ""  # words of the device for fault 14
        self.off_at = 0.0  # monotonic s at which power went off; infinite while it is on
        self._closed = False
        self._ceiling = 0.0
        self._waveform = None
        self._play = None  # (waveform, monotonic s at which it began)
        self._finished_at = math.inf
        self._ramp = (math.inf, 1.0)  # monotonic s at which a ramp to zero begins, its duration
        self._began = 0.0
        self._taken = 0
        self._reset()
        noise = random.Random(arguments.seed)
        self._noise = [noise.gauss(0.0, 1.0) for _ in range(8191)]

    # -- what it is and where it stands

    def identity(self) -> dict:
        names = self._names
        return {
            "model": names.model,
            "serial": names.serial,
            "firmware": names.firmware,
            "firmwareDigest": names.digest,
        }

    def environment(self) -> dict:
        return {"ambient_C": 22.0, "humidity": 0.45, "supply_V": 48.0, "poweredFor_s": 7200.0}

    def lines(self) -> dict:
        """Safety lines with the age of the reading. What cannot be read is "contradictory"."""
        return {
            "guard": "closed",
            "emergencyStop": "released",
            "presence": "held",
            "coupling": "seated",
            "age_s": 0.0,
        }

    def arrange(self, fixture: str, angle: float) -> None:
        """Arranges the stand; returns when nothing moves any more."""

    # -- power

    def limit(self, ceiling: float, dead_man: float):
        """Sets both with power off; returns what the device now holds, as read back from it."""
        self._ceiling = min(ceiling, self.MOST_TORQUE)
        self.fault = 0
        self.complaint = ""
        return self._ceiling, min(max(dead_man, self.DEAD_MAN[0]), self.DEAD_MAN[1])

    def energize(self) -> None:
        """Power on at zero torque."""
        self._play = None
        self._ramp = (math.inf, 1.0)
        self._reset()
        self.off_at = math.inf
        if self._closed:  # the end came meanwhile, from another thread
            self.off()

    def off(self, fault: int = 0) -> None:
        """Torque and power off at once. Any thread may call it; it never waits."""
        if self.is_on():
            self.fault = fault
            self.off_at = time.monotonic()

    def close(self) -> None:
        """Off for good."""
        self._closed = True
        self.off()

    def is_on(self) -> bool:
        return self.off_at == math.inf

    # -- torque

    def set_torque(self, waveform: Waveform) -> None:
        """Hands over torque, which stays zero until `start`. The device latches it by its clock."""
        self._waveform = waveform

    def start(self) -> float:
        """Plays what was handed over; returns the monotonic s of its first update."""
        now = time.monotonic()
        self._finished_at = math.inf
        self._play = (self._waveform, now)
        self._waveform = None
        return now

    def finish(self) -> None:
        """Back to zero torque; power stays."""
        self._finished_at = time.monotonic()

    def ramp(self, duration: float) -> None:
        """Brings torque to zero within `duration` s."""
        self._ramp = (time.monotonic(), duration)

    def is_playing(self) -> bool:
        now = time.monotonic()
        return self.is_on() and now < min(self._end(), self._ramp[0])

    def updates(self, at: float) -> int:
        """Updates latched until `at`, a monotonic s."""
        play = self._play
        if play is None:
            return 0
        waveform, began = play
        until = min(at, self.off_at, self._finished_at)
        latched = math.floor((until - began) * waveform.rate) + 1
        return max(0, min(latched, len(waveform.values)))

    # -- samples

    def begin_take(self, at: float) -> None:
        """Sample 0 is that at `at`, a monotonic s."""
        self._began = at
        self._taken = 0

    def read_samples(self, most: int):
        """What came since the last call, at most `most` samples.

        Returns the index of the first, their number, and their values in the order of CHANNELS.
        What was lost shows in the index; nothing is ever made up.
        """
        first = self._taken
        due = math.floor((time.monotonic() - self._began) * self.RATE) + 1
        count = max(0, min(due - first, most))
        values = array.array("f")
        for index in range(first, first + count):
            values.extend(self._sample(index))
        self._taken = first + count
        return first, count, values

    # -- from here on it is physics, which a real device does by itself

    def _reset(self) -> None:
        self._slewed = self._smooth = self._torque = 0.0
        self._over = 0

    def _latched(self, at: float) -> float:
        play = self._play
        if play is None or at >= min(self.off_at, self._end()):
            return 0.0
        waveform, began = play
        update = min(math.floor((at - began) * waveform.rate), len(waveform.values) - 1)
        if update < 0:
            return 0.0
        ramp_at, duration = self._ramp
        share = 1.0 if at < ramp_at else max(0.0, 1.0 - (at - ramp_at) / duration)
        return share * waveform.values[update]

    def _sample(self, index: int):
        at = self._began + index / self.RATE
        command = self._latched(at)
        if at >= self.off_at:  # no voltage: what is left dies away with the current
            self._slewed = self._smooth = 0.0
        else:
            play = self._play
            smoothing, slew = (play[0].smoothing, play[0].slew) if play else (0, math.inf)
            most = slew / self.RATE
            self._slewed += max(-most, min(most, command - self._slewed))
            tau = smoothing * self.SMOOTHING_STEP
            share = 1.0 if tau == 0.0 else 1.0 - math.exp(-1.0 / (self.RATE * tau))
            self._smooth += share * (self._slewed - self._smooth)
        step = 1.0 - math.exp(-1.0 / (self.RATE * self.TIME_CONSTANT))
        self._torque += step * (self._smooth - self._torque)
        self._watch_ceiling()
        torque = self._torque
        return (
            command,
            self._read("current", torque / self.TORQUE_PER_AMPERE, 2e-3, index),
            self._read("torque", torque, 2e-3, index + 1709),
            self._read("supply", 48.0, 2e-2, index + 3407),
            self._read("winding", 24.0, 0.05, index + 5113),
        )

    def _read(self, channel: str, value: float, noise: float, index: int) -> float:
        step = self.STEPS[channel]
        return step * round((value + noise * self._noise[index % len(self._noise)]) / step)

    def _watch_ceiling(self) -> None:
        self._over = self._over + 1 if abs(self._torque) > 1.05 * self._ceiling else 0
        if self._over > 0.002 * self.RATE:
            self.off(12)

    def _end(self) -> float:
        """Monotonic s at which the waveform is, or was, over; long ago where there is none."""
        play = self._play
        if play is None:
            return -math.inf
        waveform, began = play
        return min(began + len(waveform.values) / waveform.rate, self._finished_at)


# ---------------------------------------------------------------------------------- dead-man


class DeadMan(threading.Thread):
    """Takes torque away when the runner stops feeding. Holds no lock, waits for nothing.

    `feed` is called for a feed of the runner and for nothing else: neither by a timer of this
    program nor for other requests, because those go on when the loop that checks torque hangs.
    """

    def __init__(self, unit: Unit):
        super().__init__(name="dead-man", daemon=True)
        self.unit = unit
        self.allowance = 0.0  # s
        self.until = math.inf  # one assignment each, so no lock is needed
        self.cut_at = math.inf  # power goes off then in any case: the end of a ramp

    def feed(self) -> None:
        self.until = time.monotonic() + self.allowance

    def run(self) -> None:
        while True:
            now = time.monotonic()
            if now >= self.until and self.unit.is_playing():
                self.unit.off(11)
            if now >= self.cut_at:
                self.cut_at = math.inf
                self.unit.off()
            time.sleep(0.001)


# ---------------------------------------------------------------------------------- writer


class Writer(threading.Thread):
    """Writes frames in the order they were handed over, from a bounded queue."""

    def __init__(self, descriptor: int, failed):
        super().__init__(name="writer", daemon=True)
        self.frames: queue.Queue = queue.Queue(maxsize=512)
        self.descriptor = descriptor
        self.failed = failed

    def send(self, kind: int, payload: bytes) -> None:
        """Hands a frame over; never waits. The end when nobody has read for long."""
        try:
            self.frames.put_nowait((kind, payload))
        except queue.Full:
            self.failed("nobody reads what this adapter writes")

    def run(self) -> None:
        sequence = 0
        try:
            while True:
                kind, payload = self.frames.get()
                rest = memoryview(encode(kind, sequence, payload))
                while len(rest) > 0:
                    rest = rest[os.write(self.descriptor, rest) :]
                sequence += 1
                self.frames.task_done()
        except OSError as error:
            self.failed(f"standard output is gone: {error}")

    def drain(self, seconds: float) -> None:
        """Waits until all is written, but no longer than that."""
        until = time.monotonic() + seconds
        while self.frames.unfinished_tasks > 0 and time.monotonic() < until:
            time.sleep(0.002)


# ---------------------------------------------------------------------------------- adapter


class Take:
    def __init__(self, number: int, samples: int, waits: bool):
        self.number = number
        self.samples = samples
        self.waits = waits  # for `start`
        self.ended = False
        self.sent = 0
        self.block = 0
        self.began = 0.0


class Adapter:
    ROLES = ("drive", "digitizer", "interlock")
    FIXTURES = ("coupled", "uncoupled")
    MOST_UPDATES = 4_000_000
    MOST_SAMPLES = 1_000_000_000
    RAMP = 0.1  # s
    SAFE = {"guard": "closed", "emergencyStop": "released", "presence": "held"}

    def __init__(self, unit: Unit, stream, descriptor: int):
        self.unit = unit
        self.stream = stream
        self.writer = Writer(descriptor, self.finish)
        self.dead_man = DeadMan(unit)
        self.over = threading.Event()  # it ends
        self.told = threading.Event()  # and has said so
        self.ended_by = None
        self.status = 1
        self.greeted = False
        self.limited = False
        self.ready = False  # a waveform is loaded
        self.loading = None
        self.fed = 0
        self.take = None
        self.takes = 0
        self.began = math.inf  # monotonic s at which the last take did
        self.ceiling = 0.0  # N·m
        self.reason = ""
        self._told = 0.0
        self._telling = threading.Lock()  # held for a few assignments, never while one waits
        self.requests = {
            "hello": self.hello,
            "identify": lambda request: self.unit.identity(),
            "environment": lambda request: self.unit.environment(),
            "interlocks": lambda request: self.unit.lines(),
            "arrange": self.arrange,
            "limit": self.limit,
            "energize": self.energize,
            "load": self.load,
            "arm": self.arm,
            "start": self.start,
            "finish": self.end_waveform,
            "end": self.end_take,
            "makeSafe": self.make_safe,
            "status": lambda request: self.report(time.monotonic()),
            "bye": self.bye,
        }

    # -- life and end

    def run(self) -> int:
        for end in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(end, self.signalled)
        self.writer.start()
        self.dead_man.start()
        for work in (self.read, self.sample, self.watch):
            threading.Thread(target=self.guarded, args=(work,), daemon=True).start()
        while not self.over.wait(0.02):
            if self.ended_by is not None:
                self.finish(self.ended_by)
        self.told.wait(0.15)
        self.writer.drain(0.15)
        return self.status

    def signalled(self, what: int, frame) -> None:
        """Off at once; the rest outside the handler, which must take no lock."""
        self.unit.close()
        self.ended_by = f"signal {what}"

    def guarded(self, work) -> None:
        """Whatever goes wrong in a thread: torque off first, then the end."""
        try:
            work()
        except Void as error:
            self.finish(str(error))
        except Exception as error:  # whatever it is: a thread that dies must not leave torque on
            self.finish(f"{type(error).__name__}: {error}")

    def finish(self, reason: str, status: int = 1) -> None:
        """Off first, then tell, then end. Any thread, any number of times."""
        self.unit.close()
        if self.over.is_set():
            return
        self.status = status
        self.reason = reason
        self.over.set()  # before anything is told: that may fail, and come back here
        self.tell_off()
        say(f"ends: {reason}")
        self.told.set()

    # -- reading

    def read(self) -> None:
        sequence = 0
        while not self.over.is_set():
            frame = read_frame(self.stream, sequence)
            if frame is None:
                self.finish("end of file", 0)
                return
            sequence += 1
            kind, payload = frame
            if kind == WAVEFORM:
                self.waveform_part(payload)
            else:
                self.control(read_control(payload))

    def control(self, request: dict) -> None:
        do, number = request.get("do"), request.get("id")
        if do == "feed":
            self.feed(request.get("seq"))
            return
        if not isinstance(number, int) or isinstance(number, bool):
            raise Void("a request has no id")
        try:
            handler = self.requests.get(do) if isinstance(do, str) else None
            if handler is None:
                raise Refused("unknown", f"no request is called {str(do)[:40]!r}")
            if do != "hello" and not self.greeted:
                raise Refused("order", f"{do} came before hello")
            if self.loading is not None:
                raise Refused("order", f"{do} came between the parts of a waveform")
            answer = handler({**request, "id": number})
        except Refused as refused:
            self.refuse(number, refused)
            return
        if answer is not None:
            self.tell({"re": number, "ok": True, **answer})

    def refuse(self, number: int, refused: Refused) -> None:
        self.tell({"re": number, "ok": False, "code": refused.code, "what": str(refused)})

    def tell(self, message: dict) -> None:
        text = json.dumps(message, ensure_ascii=False, allow_nan=False)
        self.writer.send(CONTROL, text.encode("utf-8"))

    # -- requests

    def hello(self, request: dict) -> dict:
        protocols = request.get("protocol")
        if not isinstance(protocols, list) or 1 not in protocols:
            raise Refused("version", "this adapter speaks protocol 1")
        self.greeted = True
        unit = self.unit
        drive = {
            "deadMan_s": list(unit.DEAD_MAN),
            "maximumUpdates_Hz": unit.UPDATES,
            "smoothing": list(unit.SMOOTHING),
            "setsSlew": True,
            "silence": False,
            "closedLoop": False,
            "ceilingStep_Nm": unit.CEILING_STEP,
        }
        digitizer = {
            "rates_Hz": [unit.RATE],
            "channels": [{"name": name, "unit": symbol} for name, symbol in unit.CHANNELS],
            "fixtures": list(self.FIXTURES),
            "indexing": "none",
            "trigger": True,
            "marksStop": False,
        }
        return {
            "protocol": 1,
            "name": unit.NAME,
            "maker": unit.MAKER,
            "version": unit.VERSION,
            "simulated": unit.SIMULATED,
            "roles": list(self.ROLES),
            "abilities": {"drive": drive, "digitizer": digitizer},
        }

    def arrange(self, request: dict) -> dict:
        fixture = request.get("fixture")
        if fixture not in self.FIXTURES:
            raise Refused("ability", f"no fixture is called {str(fixture)[:40]!r}")
        angle = request.get("angle_rad")
        if self.unit.is_on():
            raise Refused("power", "the stand is arranged with power off")
        self.unit.arrange(fixture, 0.0 if angle is None else number(request, "angle_rad"))
        return {}

    def limit(self, request: dict) -> dict:
        ceiling = number(request, "ceiling_Nm", above=0.0)
        dead_man = number(request, "deadMan_s", above=0.0)
        if self.unit.is_on():
            raise Refused("power", "limits are set with power off")
        ceiling, dead_man = self.unit.limit(ceiling, dead_man)
        self.dead_man.allowance = dead_man
        self.ceiling = ceiling
        self.limited = True
        return {"ceiling_Nm": ceiling, "deadMan_s": dead_man}

    def energize(self, request: dict) -> dict:
        if self.unit.is_on():
            raise Refused("power", "power is on already")
        if not self.limited or self.unit.fault != 0:
            raise Refused("order", "limits come before power, and anew after a fault")
        if not self.is_safe(self.unit.lines()):
            raise Refused("interlock", "a safety line is open or not known")
        self.ready = False
        self.dead_man.until = math.inf
        self.unit.energize()
        return {}

    def load(self, request: dict):
        """Answers after the last part, also when it refuses: the parts come anyhow."""
        parts = whole(request, "parts", 1, 4096)
        self.ready = False
        loading = {"id": request["id"], "parts": parts, "next": 0, "values": array.array("d")}
        try:
            loading.update(self.load_settings(request))
        except Refused as refused:
            loading["refused"] = refused
        self.loading = loading
        return None

    def load_settings(self, request: dict) -> dict:
        if not self.unit.is_on() or self.unit.is_playing():
            raise Refused("order", "a waveform is loaded with power on and nothing playing")
        for name in ("silence", "wheel"):
            if request.get(name) is not None:
                raise Refused("ability", f"this adapter cannot do {name}")
        smoothing = whole(request, "smoothing", 0, 1000)
        if smoothing not in self.unit.SMOOTHING:
            raise Refused("ability", f"smoothing {smoothing} cannot be set")
        slew = request.get("slew_Nm_per_s")
        return {
            "rate": number(request, "rate_Hz", above=0.0, most=self.unit.UPDATES),
            "updates": whole(request, "updates", 1, self.MOST_UPDATES),
            "smoothing": smoothing,
            "slew": math.inf if slew is None else number(request, "slew_Nm_per_s", above=0.0),
        }

    def waveform_part(self, payload: bytes) -> None:
        loading = self.loading
        if loading is None or len(payload) < 8 or len(payload) % 8 != 0:
            raise Void("a part of a waveform came unasked or is cut off")
        part, what = struct.unpack_from("<II", payload)
        if part != loading["next"]:
            raise Void(f"part {part} of a waveform came where {loading['next']} was due")
        loading["next"] = part + 1
        if "refused" not in loading:
            self.keep_part(loading, what, payload)
        if loading["next"] < loading["parts"]:
            return
        self.loading = None
        try:
            self.tell({"re": loading["id"], "ok": True, **self.loaded(loading)})
        except Refused as refused:
            self.refuse(loading["id"], refused)

    def keep_part(self, loading: dict, what: int, payload: bytes) -> None:
        values = array.array("d")
        values.frombytes(payload[8:])
        if sys.byteorder == "big":
            values.byteswap()
        if what != 0:
            loading["refused"] = Refused("ability", "this adapter takes torque only")
        elif len(loading["values"]) + len(values) > loading["updates"]:
            loading["refused"] = Refused("value", "more values came than updates were announced")
        else:
            loading["values"].extend(values)

    def loaded(self, loading: dict) -> dict:
        if "refused" in loading:
            raise loading["refused"]
        values = loading["values"]
        if len(values) != loading["updates"]:
            raise Refused("value", f"{len(values)} of {loading['updates']} updates came")
        if not all(map(math.isfinite, values)):
            raise Refused("value", "a value is no finite number")
        peak = max(map(abs, values))
        if peak > self.ceiling:
            raise Refused("ceiling", f"{peak} N·m is above the ceiling of {self.ceiling} N·m")
        self.unit.set_torque(
            Waveform(values, loading["rate"], loading["smoothing"], loading["slew"])
        )
        self.ready = True
        return {"updates": len(values), "peak_Nm": peak}

    def arm(self, request: dict) -> dict:
        samples = whole(request, "samples", 1, self.MOST_SAMPLES)
        if number(request, "rate_Hz") != self.unit.RATE:
            raise Refused("ability", f"samples come at {self.unit.RATE} Hz")
        if request.get("on") not in ("trigger", "now"):
            raise Refused("value", "a take begins on trigger or now")
        if request.get("afterStop") is not None:
            raise Refused("ability", "this adapter marks no stop")
        self.end_take(request)
        self.takes += 1
        take = Take(self.takes, samples, waits=True)
        self.take = take
        if request["on"] == "now":
            self.begin(take, time.monotonic())
        return {}

    def begin(self, take: Take, at: float) -> None:
        self.unit.begin_take(at)
        take.began = self.began = at
        take.waits = False

    def start(self, request: dict) -> dict:
        if not self.ready or not self.unit.is_on():
            raise Refused("order", "no waveform is loaded, or power is off")
        self.ready = False
        self.fed = 0
        self.dead_man.feed()  # before torque, so that it is never unwatched
        at = self.unit.start()
        take = self.take
        if take is not None and take.waits and not take.ended:
            self.begin(take, at)
        return {}

    def feed(self, count) -> None:
        if isinstance(count, bool) or count != self.fed:
            if self.unit.is_on():
                self.reason = f"feed {str(count)[:20]} came where {self.fed} was due"
                self.unit.complaint = self.reason
            self.unit.off(14)
        self.fed += 1
        if self.unit.is_playing():  # a late feed revives nothing
            self.dead_man.feed()

    def end_waveform(self, request: dict) -> dict:
        self.unit.finish()
        return {}

    def end_take(self, request: dict) -> dict:
        take = self.take
        if take is not None:
            take.ended = True  # the sampler tells, after the last block
            until = time.monotonic() + 0.2
            while self.take is take and time.monotonic() < until:
                time.sleep(0.001)
        return {}

    def make_safe(self, request: dict) -> dict:
        how = request.get("how")
        if how not in ("ramp", "off"):
            self.unit.off()
            raise Refused("value", "how is ramp or off; power was cut")
        if how == "ramp" and self.unit.is_on():
            self.dead_man.cut_at = time.monotonic() + 1.3 * self.RAMP  # should the ramp hang
            self.unit.ramp(self.RAMP)
            time.sleep(self.RAMP)
        self.unit.off()
        self.dead_man.cut_at = math.inf
        return {}

    def bye(self, request: dict):
        self.unit.close()
        self.tell({"re": request["id"], "ok": True})
        self.finish("bye", 0)
        return None

    def report(self, at: float) -> dict:
        unit = self.unit
        answer = {
            "updates": unit.updates(at),
            "missing": 0,
            "time_s": max(0.0, at - self.began),
            "fault": unit.fault,
            "torqueEnabled": unit.is_on(),
        }
        return {**answer, "complaint": unit.complaint} if unit.complaint else answer

    # -- samples

    def sample(self) -> None:
        while not self.over.is_set():
            take = self.take
            if take is not None and take.ended:
                self.end_of(take)
            elif take is not None and not take.waits:
                self.pump(take)
            time.sleep(0.005)

    def pump(self, take: Take) -> None:
        for _ in range(10):  # catches up with 200 ms at most, then looks whether the take ended
            most = min(int(self.unit.RATE / 50), take.samples - take.sent)
            first, count, values = self.unit.read_samples(most)
            if count > 0:
                self.send_block(take, first, count, values)
            if take.sent >= take.samples:
                self.end_of(take)
                return
            if count < most:
                return

    def send_block(self, take: Take, first: int, count: int, values) -> None:
        clock = (first + count) / self.unit.RATE
        told = self.report(take.began + clock)
        nan = math.nan
        head = BLOCK.pack(
            take.number, take.block, first, clock, count, len(self.unit.CHANNELS), 1,
            told["updates"], told["missing"], nan, nan, nan, nan, clock,
            told["fault"], 1 if told["torqueEnabled"] else 0, -1.0,
        )  # fmt: skip
        if sys.byteorder == "big":
            values.byteswap()
        self.writer.send(SAMPLES, head + values.tobytes())
        take.block += 1
        take.sent = first + count

    def end_of(self, take: Take) -> None:
        if self.take is take:
            self.take = None
        self.tell({"event": "end", "take": take.number, "samples": take.sent})

    # -- safety lines, and what happened to the torque

    def is_safe(self, lines: dict) -> bool:
        known = all(lines.get(name) == right for name, right in self.SAFE.items())
        return known and lines.get("coupling", "seated") == "seated" and lines["age_s"] <= 0.2

    def watch(self) -> None:
        last, told_at = None, 0.0
        while not self.over.is_set():
            lines = self.unit.lines()
            if not self.is_safe(lines) and self.unit.is_on():
                self.unit.off(13)
                if self.take is not None:
                    self.take.ended = True
            age = lines.pop("age_s")
            now = time.monotonic()
            if lines != last or now - told_at >= 0.03:
                if self.greeted and age <= 0.2:  # silence is noticed; an old reading is not
                    self.tell({"event": "lines", **lines})
                last, told_at = lines, now
            self.tell_off()
            time.sleep(0.01)

    def tell_off(self) -> None:
        """Tells that power went off, once each time."""
        with self._telling:
            off_at = self.unit.off_at
            if off_at == math.inf or off_at == self._told:
                return
            self._told = off_at
        fault = self.unit.fault
        known = {11: "dead-man", 12: "over-torque", 13: "safety line"}
        reason = self.reason or known.get(fault, "asked")
        if fault != 0:
            self.tell({"event": "fault", "fault": fault, "what": reason})
        self.tell({"event": "off", "reason": reason, "at_ns": int(off_at * 1e9)})
        self.reason = ""


def say(text: str) -> None:
    """For people, if anybody still listens: a runner that was killed leaves broken pipes behind."""
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        pass


def number(request: dict, name: str, above: float = -math.inf, most: float = math.inf) -> float:
    value = request.get(name)
    known = isinstance(value, (int, float)) and not isinstance(value, bool)
    if known and math.isfinite(value) and above < value <= most:
        return float(value)
    raise Refused("value", f"{name} is {str(value)[:40]}, not a number above {above} up to {most}")


def whole(request: dict, name: str, least: int, most: int) -> int:
    value = number(request, name)
    if value == int(value) and least <= value <= most:
        return int(value)
    raise Refused("value", f"{name} is {value}, not a whole number from {least} to {most}")


# ---------------------------------------------------------------------------------- program


def arguments(argv=None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="link to a simulated torque unit")
    parser.add_argument("--model", default="H12", help="model that it says it is")
    parser.add_argument("--serial", default="H12-SIM-0001", help="serial that it says it has")
    parser.add_argument("--firmware", default="1.0.0", help="version of its firmware")
    parser.add_argument("--digest", default="0" * 64, help="SHA-256 of its firmware, as hex digits")
    parser.add_argument("--seed", type=int, default=1, help="of the noise")
    return parser.parse_args(argv)


def main(unit=Unit, adapter=Adapter, argv=None) -> None:
    sys.setswitchinterval(0.001)  # s after which a busy thread lets the dead-man run
    written = os.dup(1)
    os.dup2(2, 1)  # what a library prints must not come between the frames
    status = 1
    device = unit(arguments(argv))
    try:
        status = adapter(device, sys.stdin.buffer, written).run()
    finally:
        device.close()
        os._exit(status)  # without waiting for threads that wait for a device


if __name__ == "__main__":
    main()
