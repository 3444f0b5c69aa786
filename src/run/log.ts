import { pino, multistream, destination, type Logger } from 'pino';

export type { Logger };

/**
 * Opens the structured log of one attempt: one JSON object a line, written at once, so that the
 * last line before a crash is there. Never pass passphrases, keys or permits to it.
 *
 * @param file - Path of the log beside the capture.
 * @param watch - Called with each line as readable text, for `--verbose`; undefined for silence.
 */
export function openLog(file: string, watch?: (line: string) => void): Logger {
  const streams = [{ level: 'debug' as const, stream: destination({ dest: file, sync: true }) }];
  const options = { level: 'debug', base: null, timestamp: pino.stdTimeFunctions.isoTime };
  if (watch === undefined) return pino(options, multistream(streams));
  const readable = {
    level: 'debug' as const,
    stream: {
      write: (line: string) => {
        watch(readableLine(line));
      },
    },
  };
  return pino(options, multistream([...streams, readable]));
}

/** Draws one JSON line as "14:05:18.123 stage taken  stage=steps-2 seconds=4.8". */
export function readableLine(line: string): string {
  const { time, msg, level, ...rest } = JSON.parse(line) as Record<string, unknown>;
  const fields = Object.entries(rest).map(
    ([key, value]) => `${key}=${typeof value === 'string' ? value : JSON.stringify(value)}`,
  );
  const mark = typeof level === 'number' && level >= 40 ? '! ' : '';
  return `${String(time).slice(11, 23)} ${mark}${String(msg)}  ${fields.join(' ')}`.trimEnd();
}
