import { expect, test } from 'vitest';
import { MessageReader, plainText } from '../../src/link/message-reader.js';

test('a text of somebody else is one line of at most 10 characters', () => {
  expect(plainText('a\nb\u001b[31mc', 10)).toBe('a b [31mc');
  expect(plainText('x'.repeat(11), 10)).toBe(`${'x'.repeat(9)}…`);
});

test('what is not as wanted reads as nothing and is told under its path', () => {
  const reader = new MessageReader({ a: { b: [1, 'x'] }, n: '5' });
  expect(reader.mapping('a')?.each('b', 4, (one) => one.numberOf())).toEqual([1, 0]);
  expect([reader.number('n'), reader.flag('f'), reader.text('toString')]).toEqual([0, false, '']);
  expect(reader.found).toEqual([
    'sent a message with "x" as a.b[1], which is a finite number',
    'sent a message with "5" as n, which is a finite number',
    'sent a message without f, which is true or false',
    'sent a message without toString, which is a text',
  ]);
});

test('a list of 5 where 4 are allowed is refused unread', () => {
  const reader = new MessageReader({ list: [1, 2, 3, 4, 5] });
  expect(reader.each('list', 4, (one) => one.numberOf())).toEqual([]);
  expect(reader.found).toHaveLength(1);
});

test('of 1000 problems 32 are told', () => {
  const reader = new MessageReader({});
  for (let i = 0; i < 1000; i++) reader.number(`n${i}`);
  expect(reader.found).toHaveLength(32);
});

test('a member that is missing or null is not optional data', () => {
  const reader = new MessageReader({ here: 'x', none: null });
  const text = (name: string): string => reader.text(name);
  expect([reader.optional('here', text), reader.optional('none', text)]).toEqual([
    { here: 'x' },
    {},
  ]);
  expect([reader.isNull('none'), reader.isNull('gone')]).toEqual([true, false]);
});
