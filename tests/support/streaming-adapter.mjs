// An adapter of stallmark-link 1 that streams fast, in plain Node and from the specification alone.
// The item answers the command as latched, with noise. Samples go out by the clock of this process in
// blocks of 20 ms; the dead-man is a thread of its own that never waits on I/O. What a take was made of
// is written to a file, a line of JSON each, with times of CLOCK_MONOTONIC in ns, and with the longest
// time for which that thread, which only waits 1 ms over and over, was kept from a processor.
//
// Usage: streaming-adapter.mjs RATE FILE
import { appendFileSync } from 'node:fs';
import { Socket } from 'node:net';
import { Worker, isMainThread, workerData } from 'node:worker_threads';
import { crc32 } from 'node:zlib';

/** Cells that both threads see. */
const [ARMED, TRIPPED, LAST_FEED, DEAD_MAN, HELD_UP] = [0, 1, 2, 3, 4];
const now = () => process.hrtime.bigint();

/** The dead-man: nothing but this decides that the torque is gone. */
function watch(cells) {
  const asleep = new Int32Array(new SharedArrayBuffer(4));
  for (let woke = now(); ;) {
    Atomics.wait(asleep, 0, 0, 1);
    const before = woke;
    woke = now();
    if (woke - before > Atomics.load(cells, HELD_UP)) Atomics.store(cells, HELD_UP, woke - before);
    if (Atomics.load(cells, ARMED) === 0n) continue;
    if (now() - Atomics.load(cells, LAST_FEED) < Atomics.load(cells, DEAD_MAN)) continue;
    Atomics.store(cells, TRIPPED, Atomics.load(cells, TRIPPED) + 1n);
    Atomics.store(cells, ARMED, 0n);
  }
}

function serve(cells) {
  const [rate, file] = [Number(process.argv[2]), process.argv[3]];
  const block = Math.round(0.02 * rate);
  const units = { command: 'N·m', current: 'A', torque: 'N·m', supply: 'V', winding: '°C' };
  const names = Object.keys(units);
  /** Samples by which the shaft is behind the command. */
  const late = Math.round(0.002 * rate);
  const noise = noiseOf(65_521); // a prime, so that no block is like the one before
  /** Bytes that may wait for a runner that does not read. */
  const mostWaiting = 32 * 2 ** 20;

  const output = new Socket({ fd: 1, readable: false });
  output.on('error', () => process.exit(1));
  let sequence = 0;
  let isOn = false;
  let fault = 0;
  let fed = 0;
  let loaded;
  let take;
  let takes = 0;
  let pacing;
  let told = { feeds: 0, longest: 0n, trips: 0n };

  function send(kind, payload) {
    const head = Buffer.alloc(16);
    head.writeUInt8(0xb5, 0);
    head.writeUInt8(kind, 1);
    head.writeUInt32LE(sequence, 4);
    head.writeUInt32LE(payload.length, 8);
    head.writeUInt32LE(crc32(payload, crc32(head.subarray(0, 12))), 12);
    sequence = (sequence + 1) >>> 0;
    output.cork();
    output.write(head);
    output.write(payload);
    output.uncork();
    if (output.writableLength > mostWaiting) gone('nobody reads');
  }
  const say = (message) => send(1, Buffer.from(JSON.stringify(message)));

  function off() {
    Atomics.store(cells, ARMED, 0n);
    isOn = false;
  }
  function gone(why) {
    off();
    process.stderr.write(`${why}\n`);
    process.exit(1);
  }

  /** Torque was taken away by the dead-man: tells it and ends the take. */
  function noticeTrip() {
    const trips = Atomics.load(cells, TRIPPED);
    if (trips === told.trips) return false;
    told.trips = trips;
    isOn = false;
    fault = 11;
    say({ event: 'fault', fault, what: 'the dead-man took the torque away' });
    return true;
  }

  function begin(samples) {
    take = { ...take, samples, from: now(), isGoing: true };
    told = { ...told, feeds: 0, longest: 0n };
    Atomics.store(cells, HELD_UP, 0n);
    clearInterval(pacing);
    pacing = setInterval(pace, 1);
  }

  /** Sends what is due by the clock. */
  function pace() {
    if (noticeTrip()) {
      ended();
      return;
    }
    const passed = Number(now() - take.from) / 1e9;
    while (take.sent < take.samples) {
      const { count, payload } = take.next;
      if ((take.sent + count) / rate > passed) return;
      send(2, payload);
      take.sent += count;
      take.blocks += 1;
      take.at = now();
      if (take.sent < take.samples) makeNext();
    }
    ended();
  }

  function ended() {
    clearInterval(pacing);
    take.isGoing = false;
    Atomics.store(cells, ARMED, 0n); // back at zero torque, where it needs no feed
    say({ event: 'end', take: takes, samples: take.sent });
    const { sent, blocks, at = 0n } = take;
    const line = { take: takes, sent, blocks, at_ns: String(at), feeds: told.feeds };
    const longest_ms = Number(told.longest) / 1e6;
    const heldUp_ms = Number(Atomics.load(cells, HELD_UP)) / 1e6;
    const trips = Number(told.trips);
    appendFileSync(file, `${JSON.stringify({ ...line, longest_ms, heldUp_ms, trips })}\n`);
  }

  /** Makes the block that is due next: feeds must not wait for it when its time has come. */
  function makeNext() {
    const count = Math.min(block, take.armed - take.sent);
    take.next = { count, payload: blockOf(count, (take.sent + count) / rate) };
  }

  function blockOf(count, clock) {
    const width = names.length;
    const payload = Buffer.allocUnsafe(104 + 4 * count * width);
    const updates = loaded === undefined ? 0 : Math.floor(clock * loaded.rate);
    payload.writeUInt32LE(takes, 0);
    payload.writeUInt32LE(take.blocks, 4);
    payload.writeDoubleLE(take.sent, 8);
    payload.writeDoubleLE(clock, 16);
    payload.writeUInt32LE(count, 24);
    payload.writeUInt16LE(width, 28);
    payload.writeUInt16LE(1, 30);
    for (const [i, value] of [updates, 0, 0, NaN, NaN, 0.25, clock].entries()) {
      payload.writeDoubleLE(value, 32 + 8 * i);
    }
    payload.writeUInt32LE(fault, 88);
    payload.writeUInt32LE(isOn ? 1 : 0, 92);
    payload.writeDoubleLE(-1, 96);
    // Adapters are written for machines that keep numbers as the link does.
    const values = new Float32Array(count * width);
    const winding = 20 + (take.blocks % 4096) / 1024; // tells one block from another, exactly
    const levels = loaded?.values;
    const perUpdate = loaded === undefined ? 1 : loaded.rate / rate;
    const level = (i) => levels?.[Math.floor(i * perUpdate)] ?? 0;
    for (let i = 0, at = 0; i < count; i += 1) {
      const sample = take.sent + i;
      const hum = noise[sample % noise.length];
      const answer = isOn ? level(Math.max(0, sample - late)) : 0;
      values[at++] = isOn ? level(sample) : 0;
      values[at++] = answer / 0.6 + 0.02 * hum;
      values[at++] = answer + 0.004 * noise[(3 * sample + 1) % noise.length];
      values[at++] = 48 + 0.01 * hum;
      values[at++] = winding;
    }
    Buffer.from(values.buffer).copy(payload, 104);
    return payload;
  }

  const doing = {
    hello: () => ({
      ...{ protocol: 1, name: 'Streaming adapter', maker: 'tests', version: '1' },
      ...{ simulated: true, roles: ['drive', 'digitizer', 'interlock'] },
      abilities: {
        drive: {
          ...{ deadMan_s: [0.01, 0.5], maximumUpdates_Hz: 2000, smoothing: [0, 1, 2, 3, 4, 5] },
          ...{ setsSlew: true, silence: false, closedLoop: true, ceilingStep_Nm: 0 },
        },
        digitizer: {
          rates_Hz: [rate],
          channels: names.map((name) => ({ name, unit: units[name] })),
          ...{ fixtures: ['coupled'], indexing: 'none', trigger: true, marksStop: true },
        },
      },
    }),
    identify: () => ({
      ...{ model: 'H12', serial: 'H12-26-04711', firmware: '2.4.1' },
      firmwareDigest: 'a'.repeat(64),
    }),
    environment: () => ({ ambient_C: 23, humidity: 0.4, supply_V: 48 }),
    interlocks: () => ({ guard: 'closed', emergencyStop: 'released', presence: 'held', age_s: 0 }),
    arrange: () => ({}),
    limit: ({ ceiling_Nm, deadMan_s }) => {
      Atomics.store(cells, DEAD_MAN, BigInt(Math.round(deadMan_s * 1e9)));
      return { ceiling_Nm, deadMan_s };
    },
    energize: () => {
      isOn = true;
      fault = 0;
      return {};
    },
    arm: ({ samples, on }) => {
      takes += 1;
      take = { armed: samples, sent: 0, blocks: 0 };
      makeNext();
      if (on === 'now') begin(samples);
      return {};
    },
    start: () => {
      fed = 0;
      Atomics.store(cells, LAST_FEED, now());
      Atomics.store(cells, ARMED, 1n);
      begin(take.armed);
      return {};
    },
    finish: () => {
      Atomics.store(cells, ARMED, 0n);
      return {};
    },
    end: () => {
      if (take.isGoing) ended();
      return {};
    },
    makeSafe: () => {
      off();
      return {};
    },
    status: () => ({
      ...{ updates: loaded?.values.length ?? 0, missing: 0, time_s: 0, fault },
      torqueEnabled: isOn,
    }),
    bye: () => {
      off();
      setImmediate(() => process.exit(0));
      return {};
    },
  };

  function feed(seq) {
    if (seq !== fed) gone(`feed ${seq}, not ${fed}`);
    fed += 1;
    const at = now();
    const since = at - Atomics.exchange(cells, LAST_FEED, at);
    if (Atomics.load(cells, ARMED) === 0n) return;
    told.feeds += 1;
    if (since > told.longest) told.longest = since;
  }

  function obey(message) {
    if (message.do === 'feed') feed(message.seq);
    else if (message.do === 'load') {
      const { id, parts, rate_Hz, updates } = message;
      loaded = { id, parts, rate: rate_Hz, values: new Float64Array(updates), filled: 0 };
    } else say({ re: message.id, ok: true, ...doing[message.do](message) });
  }

  function takePart(payload) {
    const isCommand = payload.readUInt32LE(4) === 0;
    for (let at = 8; isCommand && at < payload.length; at += 8) {
      loaded.values[loaded.filled++] = payload.readDoubleLE(at);
    }
    loaded.parts -= 1;
    if (loaded.parts > 0) return;
    const peak_Nm = loaded.values.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
    say({ re: loaded.id, ok: true, updates: loaded.values.length, peak_Nm });
  }

  // Code that runs for the first time is ten times slower: not while torque is on.
  loaded = { rate: 1000, values: new Float64Array(1000) };
  for (let i = 0; i < 20; i += 1) {
    take = { armed: block, sent: 0, blocks: 0 };
    makeNext();
  }
  loaded = undefined;

  let bytes = Buffer.alloc(0);
  let heard = 0;
  process.stdin.on('data', (chunk) => {
    bytes = Buffer.concat([bytes, chunk]); // only a waveform is longer than a line
    while (bytes.length >= 16) {
      const length = bytes.readUInt32LE(8);
      if (bytes.length < 16 + length) return;
      const payload = bytes.subarray(16, 16 + length);
      const sum = crc32(payload, crc32(bytes.subarray(0, 12)));
      const isVoid = bytes[0] !== 0xb5 || sum !== bytes.readUInt32LE(12);
      if (isVoid || bytes.readUInt32LE(4) !== heard) gone('a void frame');
      heard += 1;
      const kind = bytes[1];
      bytes = bytes.subarray(16 + length);
      if (kind === 1) obey(JSON.parse(payload.toString()));
      else takePart(payload);
    }
  });
  process.stdin.on('end', () => {
    off();
    process.exit(0);
  });
  setInterval(() => {
    say({ event: 'lines', guard: 'closed', emergencyStop: 'released', presence: 'held' });
  }, 20);
}

/** Noise of variance 1, the same each time: sums of twelve draws of a linear congruential generator. */
function noiseOf(count) {
  let state = 1;
  const draw = () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
  return Float32Array.from({ length: count }, () => {
    let sum = -6;
    for (let i = 0; i < 12; i += 1) sum += draw();
    return sum;
  });
}

if (isMainThread) {
  const shared = new SharedArrayBuffer(40);
  new Worker(new URL(import.meta.url), { workerData: shared }).unref();
  serve(new BigInt64Array(shared));
} else {
  watch(new BigInt64Array(workerData));
}
