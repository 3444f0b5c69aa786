import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { CommandAsSent } from '../../src/rig/command-as-sent.js';

/** 0, 1, 2, … N·m at 1 kHz: the command tells its own update. */
const waveform = { rate: hertz(1000), command: Float64Array.from({ length: 1000 }, (_, i) => i) };

test('started by one line, update k lies at samples 20·k … 20·k + 19 of 20 kHz', () => {
  const sent = new CommandAsSent(waveform, 20_000, 'trigger');
  const found = sent.at(400, 400, 1);
  expect(found[0]).toBe(20);
  expect(found[19]).toBe(20);
  expect(found[20]).toBe(21);
  expect(found[399]).toBe(39);
});

test('after the last update its level is held', () => {
  expect(new CommandAsSent(waveform, 20_000, 'trigger').at(20_000, 2, 1)[1]).toBe(999);
});

test('a device clock that runs 1000 ppm fast moves the command by 1000 ppm', () => {
  const sent = new CommandAsSent(waveform, 20_000, 'device-clock');
  const last = sent.at(19_600, 400, 1.001);
  // Sample 19 600 at 0.98 s is 0.98098 s of the device.
  expect(last[0]).toBe(980);
  expect(last[1]).toBe(981);
});

test('with a trigger the device clock moves nothing', () => {
  expect(new CommandAsSent(waveform, 20_000, 'trigger').at(8000, 400, 1.01)[0]).toBe(400);
});
