import { expect, test } from 'vitest';
import {
  hostProblem,
  hostsOf,
  isFromHere,
  isLoopback,
  originProblem,
  PAGE_POLICY,
  readerProblem,
} from '../../src/serve/guard.js';

const HOSTS = hostsOf(['bench.example'], '127.0.0.1', 8460);

const hosts: readonly (readonly [string | undefined, boolean])[] = [
  ['localhost:8460', true],
  ['LocalHost:8460', true],
  ['127.0.0.1:8460', true],
  ['[::1]:8460', true],
  ['bench.example:8460', true],
  ['bench.example', false],
  ['localhost', false],
  ['localhost:8461', false],
  ['localhost:08460', false],
  ['127.0.0.1.evil.example:8460', false],
  ['localhost:8460@evil.example', false],
  ['', false],
  [undefined, false],
];
for (const [host, isOurs] of hosts) {
  test(`host "${host ?? '(none)'}" is ${isOurs ? 'ours' : 'refused'}`, () => {
    expect(hostProblem(host, HOSTS)?.code).toBe(isOurs ? undefined : 'page/host');
  });
}

test('the address listened at is a name, but the one for every interface is none', () => {
  expect([...hostsOf([], '192.0.2.2', 1)]).toContain('192.0.2.2:1');
  expect([...hostsOf([], 'fd00::2', 1)]).toContain('[fd00::2]:1');
  for (const any of ['0.0.0.0', '::']) expect(hostsOf([], any, 1).size).toBe(3);
});

test('on port 80 a browser leaves the port out', () => {
  expect(hostProblem('localhost', hostsOf([], '127.0.0.1', 80))).toBeUndefined();
});

const origins: readonly (readonly [Record<string, string>, boolean])[] = [
  [{ origin: 'http://localhost:8460' }, true],
  [{ origin: 'http://localhost:8460', 'sec-fetch-site': 'same-origin' }, true],
  [{ origin: 'http://localhost:8460', 'sec-fetch-site': 'same-site' }, false],
  [{ origin: 'http://localhost:8460', 'sec-fetch-site': 'none' }, false],
  [{ origin: 'https://localhost:8460' }, false],
  [{ origin: 'http://localhost:9000' }, false],
  [{ origin: 'null' }, false],
  [{}, false],
];
for (const [headers, isOurs] of origins) {
  test(`a change from ${JSON.stringify(headers)} is ${isOurs ? 'ours' : 'refused'}`, () => {
    expect(originProblem(headers, HOSTS)?.code).toBe(isOurs ? undefined : 'page/origin');
  });
}

test('reading is for pages of ours and for addresses typed by hand', () => {
  for (const site of [undefined, 'same-origin', 'none']) {
    expect(readerProblem(site === undefined ? {} : { 'sec-fetch-site': site })).toBeUndefined();
  }
  for (const site of ['cross-site', 'same-site', '']) {
    expect(readerProblem({ 'sec-fetch-site': site })?.code).toBe('page/origin');
  }
});

const addresses: readonly (readonly [string | undefined, boolean])[] = [
  ['127.0.0.1', true],
  ['127.1.2.3', true],
  ['::1', true],
  ['::ffff:127.0.0.1', true],
  ['::FFFF:127.0.0.1', true],
  ['192.0.2.2', false],
  ['::ffff:192.0.2.2', false],
  ['fe80::1', false],
  ['::', false],
  ['127.evil.example', false],
  ['', false],
  [undefined, false],
];
for (const [address, isOwn] of addresses) {
  test(`${address ?? '(none)'} is ${isOwn ? 'this computer' : 'another machine'}`, () => {
    expect(isLoopback(address)).toBe(isOwn);
    expect(isFromHere(address, {})).toBe(isOwn);
  });
}

test('a request that a program here hands on for somebody else is not from here', () => {
  for (const name of ['forwarded', 'x-forwarded-for', 'x-real-ip', 'via']) {
    expect(isFromHere('127.0.0.1', { [name]: '192.0.2.9' }), name).toBe(false);
  }
});

test('the policy allows nothing inline and nothing from elsewhere', () => {
  expect(PAGE_POLICY).not.toMatch(/unsafe|\*|http|data:/u);
  expect(PAGE_POLICY).toContain("default-src 'none'");
});
