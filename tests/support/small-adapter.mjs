// A small adapter of stallmark-link 1 in plain Node, written from its specification alone: nothing is
// imported from src. The first argument says how it misbehaves; without one it behaves. What it does
// with torque it tells on its standard error, and in the file that a second argument names.
import { appendFileSync } from 'node:fs';
import { crc32 } from 'node:zlib';

const how = process.argv[2] ?? 'well';
const file = process.argv[3];
const RATE = 20_000;
const BLOCK = 400;
const CHANNELS = { command: 'N·m', current: 'A', torque: 'N·m', supply: 'V', winding: '°C' };
const names = Object.keys(CHANNELS);

let sequence = 0;
let isOn = false;
let isPlaying = false;
let fed = 0;
let take = 0;
let going;
let loaded;
let held;
let updates = 0;
let fault = 0;

function say(line) {
  if (file !== undefined) appendFileSync(file, `${line}\n`);
  process.stderr.write(`${line}\n`);
}
function off(why) {
  if (isOn) say(`torque off: ${why}`);
  isOn = false;
  isPlaying = false;
}

function frame(kind, payload) {
  const bytes = Buffer.alloc(16 + payload.length);
  bytes.writeUInt8(0xb5, 0);
  bytes.writeUInt8(kind, 1);
  bytes.writeUInt32LE(sequence, 4);
  bytes.writeUInt32LE(payload.length, 8);
  bytes.writeUInt32LE(crc32(payload, crc32(bytes.subarray(0, 12))), 12);
  payload.copy(bytes, 16);
  sequence += 1;
  return bytes;
}
const send = (message) => process.stdout.write(frame(1, Buffer.from(JSON.stringify(message))));

const drive = {
  deadMan_s: how === 'lying' ? [0.2, 0.1] : [0.02, 0.5],
  maximumUpdates_Hz: 2000,
  smoothing: how === 'lying' ? [0, 7] : [0, 1, 2, 3],
  setsSlew: true,
  silence: false,
  closedLoop: true,
  ceilingStep_Nm: 0.001,
};
const digitizer = {
  rates_Hz: [RATE],
  channels: names.map((name) => ({
    name,
    unit: how === 'units' && name === 'current' ? 'mA' : CHANNELS[name],
  })),
  fixtures: ['coupled', 'uncoupled'],
  indexing: 'none',
  trigger: true,
  marksStop: true,
};
if (how === 'lying-channel') digitizer.channels.push({ name: 'sound', unit: 'Pa' });
const report = () => ({ updates, missing: 0, time_s: 0, fault, torqueEnabled: isOn });

function block(number, start, clock) {
  const bytes = Buffer.alloc(104 + 4 * BLOCK * names.length);
  bytes.writeUInt32LE(take, 0);
  bytes.writeUInt32LE(number, 4);
  bytes.writeDoubleLE(start, 8);
  bytes.writeDoubleLE(clock, 16);
  bytes.writeUInt32LE(BLOCK, 24);
  bytes.writeUInt16LE(names.length, 28);
  bytes.writeUInt16LE(1, 30);
  for (const [i, value] of [updates, 0, 0, NaN, NaN, 0.25, clock].entries()) {
    bytes.writeDoubleLE(value, 32 + 8 * i);
  }
  bytes.writeUInt32LE(fault, 88);
  bytes.writeUInt32LE(isOn ? 1 : 0, 92);
  bytes.writeDoubleLE(-1, 96);
  for (let i = 0; i < BLOCK; i++) {
    for (let c = 0; c < names.length; c++) {
      const isOdd = how === 'nan' && number === 2 && i === 7 && c === 1;
      bytes.writeFloatLE(isOdd ? NaN : c + (start + i) / 1e6, 104 + 4 * (i * names.length + c));
    }
  }
  return bytes;
}

function sendBlocks(samples) {
  let number = 0;
  clearInterval(going);
  going = setInterval(() => {
    const start = number * BLOCK;
    if (start >= samples) {
      clearInterval(going);
      send({ event: 'end', take, samples });
      return;
    }
    const odd = number === 2;
    const jump = odd && how === 'clock' ? 0.006 : odd && how === 'clock-back' ? -0.05 : 0;
    const shift = odd && how === 'gap' ? 1 : odd && how === 'duplicate' ? -1 : 0;
    updates += 20;
    if (how === 'sequence' && odd) sequence += 1;
    if (how === 'silent-samples' && number >= 2) return;
    const clock = (start + BLOCK) / (how === 'lying-rate' ? RATE / 2 : RATE) + jump;
    process.stdout.write(frame(2, block(number + shift, start, clock)));
    number += 1;
  }, 2);
}

const DO = {
  hello: () => ({
    protocol: how === 'version' ? 2 : 1,
    name: 'Small adapter',
    maker: 'tests',
    version: '1',
    serial: how === 'identity' ? String(process.pid) : '7',
    simulated: how !== 'hardware',
    roles: how === 'digitizer-only' ? ['digitizer'] : ['drive', 'digitizer', 'interlock'],
    abilities: { drive, digitizer },
  }),
  identify: () => ({
    model: 'H12',
    serial: 'H12-0001',
    firmware: '1.0',
    firmwareDigest: 'a'.repeat(64),
    components: [{ kind: 'motor', serial: 'M1' }],
  }),
  environment: () => ({ ambient_C: 23.5, humidity: 0.4, supply_V: 24 }),
  interlocks: () => ({ guard: 'closed', emergencyStop: 'released', presence: 'held', age_s: 0 }),
  arrange: () => (how === 'turning' ? undefined : {}),
  limit: ({ ceiling_Nm, deadMan_s }) => ({
    ceiling_Nm,
    deadMan_s: how === 'lying-dead-man' ? 0.1 : deadMan_s,
  }),
  energize: () => {
    isOn = true;
    say('torque on');
    return {};
  },
  arm: ({ samples, on }) => {
    if (how === 'slow-arm' && take === 0) {
      take += 1;
      return undefined;
    }
    if (how === 'lost-arm') return undefined;
    if (how === 'no-arm') throw new Error('the store is full');
    take += 1;
    if (on === 'now') sendBlocks(samples);
    else loaded = { ...loaded, samples };
    return {};
  },
  start: () => {
    isPlaying = true;
    fed = 0;
    if (loaded?.samples !== undefined) sendBlocks(loaded.samples);
    return {};
  },
  finish: () => {
    isPlaying = false;
    return {};
  },
  end: () => {
    clearInterval(going);
    return {};
  },
  makeSafe: () => {
    if (how === 'no-stop' && isOn) return undefined;
    off('made safe');
    return {};
  },
  status: () => report(),
  bye: () => {
    setImmediate(() => process.exit(0));
    return {};
  },
};

function obey(message) {
  const { id } = message;
  if (message.do === 'feed') {
    if (message.seq !== fed) off(`feed ${message.seq}, not ${fed}`);
    fed += 1;
    if (how === 'fault' && fed === 3) {
      fault = 77;
      off('fault 77');
      send({ event: 'fault', fault, what: 'the winding is hot' });
    }
    return;
  }
  if (message.do === 'identify' && how === 'silence') return;
  if (message.do === 'identify' && how === 'exit') {
    say('the bus is gone');
    say('giving up');
    process.exit(3);
  }
  if (message.do === 'identify' && how === 'garbage') {
    process.stdout.write('Hello, I am a log line on the wrong stream\n');
    return;
  }
  if (message.do === 'identify' && how === 'late') {
    held = id;
    return;
  }
  if (message.do === 'load') {
    if (how === 'stalled') {
      process.stdin.pause();
      setTimeout(() => off('nothing heard for 100 ms'), 100);
    }
    loaded = { id, parts: message.parts, updates: message.updates, values: [] };
    return;
  }
  answer(id, message);
}

function answer(id, message) {
  if (held !== undefined) {
    send({ re: held, ok: true, ...DO.identify() });
    held = undefined;
  }
  if (how === 'slow-arm' && message.do === 'arm' && take === 0) held = id;
  try {
    const told = DO[message.do](message);
    if (told !== undefined) send({ re: id, ok: true, ...told });
  } catch (error) {
    send({ re: id, ok: false, code: 'adapter/busy', what: error.message });
  }
}

function takePart(payload) {
  const isCommand = payload.readUInt32LE(4) === 0;
  for (let at = 8; at < payload.length; at += 8) {
    if (isCommand) loaded.values.push(payload.readDoubleLE(at));
  }
  loaded.parts -= 1;
  if (loaded.parts > 0) return;
  const peak = loaded.values.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
  const shift = how === 'read-back' ? 0.1 : 0;
  send({ re: loaded.id, ok: true, updates: loaded.values.length, peak_Nm: peak + shift });
}

let bytes = Buffer.alloc(0);
let heard = 0;
process.stdin.on('data', (chunk) => {
  bytes = Buffer.concat([bytes, chunk]);
  while (bytes.length >= 16) {
    const length = bytes.readUInt32LE(8);
    if (bytes.length < 16 + length) return;
    const payload = bytes.subarray(16, 16 + length);
    const sum = crc32(payload, crc32(bytes.subarray(0, 12)));
    if (bytes[0] !== 0xb5 || sum !== bytes.readUInt32LE(12) || bytes.readUInt32LE(4) !== heard) {
      off('a void frame');
      process.exit(65);
    }
    heard += 1;
    const kind = bytes[1];
    bytes = bytes.subarray(16 + length);
    if (kind === 1) obey(JSON.parse(payload.toString()));
    else takePart(payload);
  }
});
process.stdin.on('end', () => {
  if (how === 'deaf') return;
  off('end of file');
  process.exit(0);
});
setInterval(() => {
  if (how === 'quiet-lines') return;
  const lines = { guard: 'closed', emergencyStop: 'released', presence: 'held' };
  send({ event: 'lines', ...lines });
}, 50);
say(`small adapter, ${how}`);
