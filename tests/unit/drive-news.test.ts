import { expect, test } from 'vitest';
import { DriveNews } from '../../src/rig/drive-news.js';
import { handClock } from '../support/clock.js';

const REPORT = { updates: 1, missing: 0, time: 1, fault: 0, torqueEnabled: true };

test('a report is news for 50 ms, unless it is forgotten', async () => {
  const clock = handClock();
  const news = new DriveNews(clock);
  expect(news.fresh).toBeUndefined();
  news.tell(REPORT);
  await clock.advance(50);
  expect(news.fresh).toEqual(REPORT);
  await clock.advance(1);
  expect(news.fresh).toBeUndefined();
  news.tell(REPORT);
  news.forget();
  expect(news.fresh).toBeUndefined();
});

test('fault 12 stays; fault 77 is told as 14 and named once in the complaint', () => {
  const news = new DriveNews(handClock());
  expect(news.inOurCodes({ ...REPORT, fault: 12 }).fault).toBe(12);
  expect(news.complaint).toBe('');
  for (let i = 0; i < 2; i++) expect(news.inOurCodes({ ...REPORT, fault: 77 }).fault).toBe(14);
  expect(news.complaint).toBe('fault 77');
  news.complaint = 'hot';
  news.inOurCodes({ ...REPORT, fault: 77 });
  expect(news.complaint).toBe('hot (fault 77)');
});
