#!/usr/bin/env python3
"""The shipped adapter with one thing broken: broken-adapter.py NAME.

What the conformance suite must find. Each variant overrides as little as it can, so that the suite is
shown one fault at a time.
"""
import importlib.util
import math
import pathlib
import queue
import sys
import threading
import time

SHIPPED = pathlib.Path(__file__).resolve().parents[2] / "procedures" / "links" / "adapter.py"
sys.dont_write_bytecode = True
spec = importlib.util.spec_from_file_location("adapter", SHIPPED)
shipped = importlib.util.module_from_spec(spec)
spec.loader.exec_module(shipped)

Unit, Adapter = shipped.Unit, shipped.Adapter
VARIANTS = {}


def variant(name):
    def keep(make):
        VARIANTS[name] = make
        return make

    return keep


def adapter(name):
    """A variant that overrides methods of the adapter."""

    def keep(overrides):
        members = {k: v for k, v in vars(overrides).items() if not k.startswith("__")}
        VARIANTS[name] = lambda: (Unit, type("Broken", (Adapter,), members))
        return overrides

    return keep


def unit(name):
    def keep(overrides):
        members = {k: v for k, v in vars(overrides).items() if not k.startswith("__")}
        VARIANTS[name] = lambda: (type("Broken", (Unit,), members), Adapter)
        return overrides

    return keep


def answers(name, request, change):
    """A variant whose answer to one request is changed."""

    def make():
        class Broken(Adapter):
            def __init__(self, *given):
                super().__init__(*given)
                right = self.requests[request]
                self.requests[request] = lambda asked: change(right(asked))

        return Unit, Broken

    VARIANTS[name] = make


def without(name, *keys):
    """hello without members; a key may be a path."""

    def change(hello):
        for path in keys:
            *outer, last = path.split(".")
            at = hello
            for key in outer:
                at = at[key]
            del at[last]
        return hello

    answers(name, "hello", change)


def no_watch(self):
    while True:
        time.sleep(1)


# ------------------------------------------------------------------ dead-man


@variant("no-dead-man")
def no_dead_man():
    shipped.DeadMan.run = no_watch
    return Unit, Adapter


@adapter("naive-heartbeat")
class NaiveHeartbeat:
    """A thread that lives says that the loop lives."""

    def sample(self):
        def beat():
            while True:
                self.dead_man.feed()
                time.sleep(0.02)

        threading.Thread(target=beat, daemon=True).start()
        Adapter.sample(self)


@adapter("any-request-feeds")
class AnyRequestFeeds:
    def control(self, request):
        if self.dead_man.until != math.inf:
            self.dead_man.feed()
        Adapter.control(self, request)


@variant("dead-man-that-writes")
def dead_man_that_writes():
    """The dead-man lives in the thread that writes, and waits with it."""

    class Writer(shipped.Writer):
        def run(self):
            sequence = 0
            while True:
                dead_man = self.owner.dead_man
                if time.monotonic() >= dead_man.until and self.owner.unit.is_playing():
                    self.owner.unit.off(11)
                try:
                    kind, payload = self.frames.get(timeout=0.005)
                except queue.Empty:
                    continue
                rest = memoryview(shipped.encode(kind, sequence, payload))
                while len(rest) > 0:
                    rest = rest[shipped.os.write(self.descriptor, rest) :]
                sequence += 1
                self.frames.task_done()

    class Broken(Adapter):
        def __init__(self, *given):
            super().__init__(*given)
            self.writer.owner = self

    shipped.Writer = Writer
    shipped.DeadMan.run = no_watch
    return Unit, Broken


@adapter("late-feed-revives")
class LateFeedRevives:
    def feed(self, count):
        if self.unit.fault == 11:
            self.unit.off_at = math.inf
        Adapter.feed(self, count)


@adapter("any-feed-counts")
class AnyFeedCounts:
    def feed(self, count):
        self.dead_man.feed()


@adapter("untold-dead-man")
class UntoldDeadMan:
    def hello(self, request):
        hello = Adapter.hello(self, request)
        hello["abilities"]["drive"]["deadMan_s"] = None
        return hello


# ------------------------------------------------------------------ off


@adapter("safe-in-words")
class SafeInWords:
    def make_safe(self, request):
        return {}


@adapter("slow-ramp")
class SlowRamp:
    RAMP = 0.6


@adapter("ignores-end-of-file")
class IgnoresEndOfFile:
    def finish(self, reason, status=1):
        if reason != "end of file":
            Adapter.finish(self, reason, status)

    def read(self):
        Adapter.read(self)
        no_watch(self)


@adapter("last-words-first")
class LastWordsFirst:
    def finish(self, reason, status=1):
        self.unit.close()
        print("ends:", reason, file=sys.stderr, flush=True)
        Adapter.finish(self, reason, status)


@adapter("ends-without-a-word")
class EndsWithoutAWord:
    def tell_off(self):
        pass


# ------------------------------------------------------------------ frames


def lenient(change):
    """A reader that takes frames for sound which are not."""

    def make():
        right = shipped.read_frame

        def read_frame(stream, sequence):
            return right(Mended(stream, change, sequence), sequence)

        shipped.read_frame = read_frame
        return Unit, Adapter

    return make


class Mended:
    """Reads a whole frame, lets `change` mend it, and makes the check sum right."""

    def __init__(self, stream, change, sequence):
        self.stream, self.change, self.sequence = stream, change, sequence
        self.payload = b""

    def read(self, count):
        if count != 16 or self.payload:
            return self.payload[:count]
        header = self.stream.read(16)
        if len(header) < 16:
            return header
        head = list(shipped.HEAD.unpack(header[:12]))
        check = header[12:]
        length = head[4]
        if length > shipped.LARGEST:
            length = head[4] = 0
        self.payload = self.stream.read(length)
        mended = self.change(list(head), self.sequence)
        if mended is not None:
            head = mended
            raw = shipped.HEAD.pack(*head)
            check = shipped.CHECK.pack(shipped.zlib.crc32(self.payload, shipped.zlib.crc32(raw)))
        if head[4] == 0:
            self.payload = b"{}" if mended is not None else b""
        return shipped.HEAD.pack(*head) + check


VARIANTS["takes-damaged-frames"] = lenient(lambda head, due: head)
VARIANTS["takes-any-first-byte"] = lenient(lambda head, due: [shipped.MAGIC, *head[1:]])
VARIANTS["takes-any-kind"] = lenient(
    lambda head, due: head if head[1] in (1, 3) else [head[0], 1, *head[2:]]
)
VARIANTS["takes-any-sequence"] = lenient(lambda head, due: [*head[:3], due, head[4]])


@variant("waits-for-what-is-announced")
def waits_for_what_is_announced():
    shipped.LARGEST_CONTROL = shipped.LARGEST = 2**32
    return Unit, Adapter


@variant("writes-text")
def writes_text():
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    return Unit, Adapter


@variant("wrong-check-sum")
def wrong_check_sum():
    right = shipped.encode
    shipped.encode = lambda *given: right(*given)[:12] + b"\0\0\0\0" + right(*given)[16:]
    return Unit, Adapter


@variant("counts-by-two")
def counts_by_two():
    right = shipped.encode
    shipped.encode = lambda kind, n, payload: right(kind, 2 * n, payload)
    return Unit, Adapter


# ------------------------------------------------------------------ what it says

answers("no-version", "hello", lambda hello: {**hello, "version": ""})
answers("simulated-in-words", "hello", lambda hello: {**hello, "simulated": "yes"})
answers("humidity-in-percent", "environment", lambda told: {**told, "humidity": 45})
answers("old-lines", "interlocks", lambda told: {**told, "age_s": 0.4})
without("silence-untold", "abilities.drive.silence")
without("rates-untold", "abilities.digitizer.rates_Hz")
answers("lying-read-back", "limit", lambda told: {**told, "ceiling_Nm": 1e6})


@adapter("echoes-limits")
class EchoesLimits:
    """Reads back what it was asked for, not what holds."""

    def limit(self, request):
        Adapter.limit(self, request)
        return {name: request[name] for name in ("ceiling_Nm", "deadMan_s")}


@adapter("any-version")
class AnyVersion:
    def hello(self, request):
        return {**Adapter.hello(self, {"protocol": [1]}), "protocol": request["protocol"][0]}


@unit("wrong-units")
class WrongUnits:
    CHANNELS = (("command", "N·m"), ("current", "A"), ("torque", "mN·m"), ("supply", "V"), ("winding", "°C"))


@unit("real")
class Real:
    """Says that it is no simulation; for the question that must then be answered."""

    SIMULATED = False


@unit("changing-identity")
class ChangingIdentity:
    def identity(self):
        self.asked = getattr(self, "asked", 0) + 1
        return {**Unit.identity(self), "serial": f"H12-{self.asked}"}


@adapter("slow-lines")
class SlowLines:
    def watch(self):
        while not self.over.is_set():
            self.tell_off()
            time.sleep(0.2)
            if self.greeted:
                self.tell({"event": "lines", "guard": "closed"})


@adapter("rude-end")
class RudeEnd:
    def finish(self, reason, status=1):
        Adapter.finish(self, reason, 3)


# ------------------------------------------------------------------ what it takes


@adapter("takes-odd-limits")
class TakesOddLimits:
    def limit(self, request):
        try:
            return Adapter.limit(self, request)
        except shipped.Refused:
            return Adapter.limit(self, {"ceiling_Nm": 1, "deadMan_s": 0.1})


@adapter("power-before-limits")
class PowerBeforeLimits:
    def energize(self, request):
        self.limited = True
        return Adapter.energize(self, request)


@adapter("limits-under-power")
class LimitsUnderPower:
    def limit(self, request):
        if not self.unit.is_on():
            return Adapter.limit(self, request)
        return {"ceiling_Nm": request["ceiling_Nm"], "deadMan_s": request["deadMan_s"]}


@adapter("another-peak")
class AnotherPeak:
    def loaded(self, loading):
        told = Adapter.loaded(self, loading)
        return {**told, "peak_Nm": max(loading["values"])}


@adapter("looks-at-positive-torque-only")
class LooksAtPositiveTorqueOnly:
    def loaded(self, loading):
        if "values" in loading and max(loading["values"]) <= self.ceiling:
            return {"updates": len(loading["values"]), "peak_Nm": 0.0}
        return Adapter.loaded(self, loading)


@adapter("starts-nothing")
class StartsNothing:
    def start(self, request):
        return {}


@adapter("takes-odd-takes")
class TakesOddTakes:
    def arm(self, request):
        return {}


@adapter("dies-of-the-unknown")
class DiesOfTheUnknown:
    def refuse(self, number, refused):
        raise refused


@adapter("trusts-requests")
class TrustsRequests:
    def arm(self, request):
        return {"until": request["samples"] / request["rate_Hz"]}


# ------------------------------------------------------------------ samples


@adapter("loses-a-block")
class LosesABlock:
    def send_block(self, take, first, count, values):
        if take.block == 7:
            take.block += 1
            take.sent = first + count
            return
        Adapter.send_block(self, take, first, count, values)


@adapter("hides-a-lost-block")
class HidesALostBlock:
    """Counts on as if nothing were missing."""

    def send_block(self, take, first, count, values):
        if take.block == 7 and not getattr(self, "lost", False):
            self.lost = True
            take.sent = first + count
            return
        Adapter.send_block(self, take, first - (count if take.block > 7 else 0), count, values)


@unit("ends-too-late")
class EndsTooLate:
    def read_samples(self, most):
        first, count, values = Unit.read_samples(self, max(most, 1) + 3)
        return first, count, values


@unit("unsteady-clock")
class UnsteadyClock:
    """Tells 20 kHz and samples at 12 kHz."""

    def read_samples(self, most):
        due = math.floor((time.monotonic() - self._began) * 12_000) - self._taken
        return Unit.read_samples(self, max(0, min(most, due)))


@variant("wrong-clock")
def wrong_clock():
    right = shipped.BLOCK

    class Block:
        size = right.size

        def pack(self, take, block, first, clock, *rest):
            return right.pack(take, block, first, 1.1 * clock, *rest)

    shipped.BLOCK = Block()
    return Unit, Adapter


@unit("device-that-fails")
class DeviceThatFails:
    """Fails in the middle of a take, under torque."""

    def read_samples(self, most):
        if self._taken > 10_000:
            raise OSError("the device hung up")
        return Unit.read_samples(self, most)


@unit("wrong-sign")
class WrongSign:
    def _sample(self, index):
        command, current, torque, supply, winding = Unit._sample(self, index)
        return command, current, -torque, supply, winding


@unit("wrong-scale")
class WrongScale:
    def _sample(self, index):
        command, current, torque, supply, winding = Unit._sample(self, index)
        return command, current, 1.3 * torque, supply, winding


if __name__ == "__main__":
    device, link = VARIANTS[sys.argv[1]]()
    shipped.main(device, link, [])
