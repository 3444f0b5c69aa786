import { afterEach, beforeEach, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import {
  converse,
  modbusPlace,
  type ModbusConversation,
} from '../../src/link/modbus-conversation.js';
import type { ModbusDescription } from '../../src/procedure/links.js';
import { handClock, type HandClock } from '../support/clock.js';
import { misbehavingModbus, type MisbehavingModbus } from '../support/misbehaving-modbus.js';

let controller: MisbehavingModbus;
let conversation: ModbusConversation;
let clock: HandClock;
let description: ModbusDescription;

beforeEach(async () => {
  controller = await misbehavingModbus();
  clock = handClock();
  description = {
    protocol: 'modbus',
    place: { kind: 'tcp', host: '127.0.0.1', port: controller.port },
    unit: 247,
    heartbeat: 65535,
    lines: { guard: [0, 1], emergencyStop: [2, 3] },
  };
  conversation = await converse(description, clock);
});

afterEach(async () => {
  conversation.hangUp();
  await controller.close();
});

const codeOf = (asked: Promise<unknown>): Promise<unknown> =>
  asked.then(
    () => 'answered',
    (error: unknown) => (error instanceof StallmarkError ? error.problems[0].code : error),
  );

test('says where a controller is', () => {
  expect(modbusPlace(description)).toBe(`tcp 127.0.0.1:${controller.port} unit 247`);
});

test.each([1, 7, 8, 9, 2000])('reads %i inputs and no more', async (count) => {
  controller.inputs.set(100 + count - 1, true);
  controller.inputs.set(100 + count, true);
  const read = await conversation.discreteInputs(100, count);
  expect(read).toHaveLength(count);
  expect(read.indexOf(true)).toBe(count - 1);
});

test('reads register 65535', async () => {
  controller.heartbeat = 0xfffe;
  expect(await conversation.inputRegister(65535)).toBe(0xffff);
});

test('an exception is link/refused and leaves the connection', async () => {
  controller.misdeed = 'exception';
  expect(await codeOf(conversation.inputRegister(1))).toBe('link/refused');
  controller.misdeed = 'none';
  expect(await codeOf(conversation.inputRegister(1))).toBe('answered');
});

test('silence for 150 ms is link/silent and ends the connection: later requests are not sent', async () => {
  controller.misdeed = 'silence';
  const reached = controller.nextRequest();
  const asked = codeOf(conversation.inputRegister(1));
  await reached;
  await clock.advance(150);
  expect(await asked).toBe('link/silent');
  expect(await codeOf(conversation.inputRegister(1))).toBe('link/silent');
  expect(controller.requests).toHaveLength(1);
});

test('tells its end once, with why', async () => {
  const told: string[] = [];
  conversation.onEnd = (why) => told.push(why.problems[0].code);
  controller.misdeed = 'garbage';
  await codeOf(conversation.inputRegister(1));
  conversation.hangUp();
  expect(told).toEqual(['link/garbled']);
});
