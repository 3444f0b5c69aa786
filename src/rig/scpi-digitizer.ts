import type { Clock } from '../base/clock.js';
import { celsius, volt } from '../base/units.js';
import { BLOCK_SECONDS, CHANNELS, type Adapter, type Environment } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { PROMPT } from '../link/scpi-session.js';
import { saysSimulated, ScpiSpeaker, type OpenPort } from '../link/scpi-speaker.js';
import type { ChannelInput, ScpiDescription } from '../procedure/links.js';
import type { Fixture, Settings } from '../procedure/procedure.js';
import type { DigitizerAbilities, DigitizerLink, SampleBlock, TakeOrder } from './rig.js';
import { ScpiSamples } from './scpi-samples.js';

/** ms for the stand to be arranged and its shaft to be turned. */
const ARRANGED = 10_000;
/** ms of a take without a sample, once it goes on, and while it waits for its trigger. */
const WITHOUT_SAMPLES = 240;
const WITHOUT_TRIGGER = 2000;
/** ms between two looks at a take that has nothing new. */
const LOOK = 5;
/** rad: angles that read back as near as this are the same. */
const SAME_ANGLE = 1e-4;

const FIXTURES: readonly Fixture[] = ['coupled', 'uncoupled', 'shunt', 'shunt-negative', 'timing'];

/**
 * Makes the link to a digitizer after IEEE 488.2 and SCPI-1999 that measures in volts.
 *
 * @param channels - Inputs by channel of the capture, with their scale.
 * @param open - Calls a device.
 */
export function scpiDigitizer(
  name: string,
  description: ScpiDescription,
  channels: ReadonlyMap<string, ChannelInput>,
  open: OpenPort,
  clock: Clock,
): DigitizerLink {
  return new ScpiDigitizer(new ScpiSpeaker(name, description, open, clock), channels, clock);
}

class ScpiDigitizer implements DigitizerLink {
  private samples: ScpiSamples | undefined;
  private take: TakeOrder | undefined;

  constructor(
    private readonly speaker: ScpiSpeaker,
    private readonly channels: ReadonlyMap<string, ChannelInput>,
    private readonly clock: Clock,
  ) {}

  get name(): string {
    return this.speaker.name;
  }

  async open(): Promise<DigitizerAbilities> {
    const { speaker } = this;
    const identity = await speaker.session.open();
    const inputs = speaker.knows('inputs')
      ? await speaker.number('inputs')
      : speaker.numeric('inputs', 0);
    this.samples = new ScpiSamples(speaker, inputs, this.channels);
    const indexing = speaker.word('indexing') === 'operator' ? 'operator' : 'none';
    return {
      simulated: saysSimulated(identity),
      rates: speaker.list('rates').map(Number),
      channels: CHANNELS.filter((channel) => this.channels.has(channel)),
      fixtures: speaker.can('fixture')
        ? FIXTURES.filter((fixture) => speaker.word(`fixture-${fixture}`) !== undefined)
        : ['coupled'],
      indexing: speaker.can('angle') ? 'bench' : indexing,
      trigger: speaker.can('on-trigger'),
      marksStop: false,
    };
  }

  async arrange(settings: Settings): Promise<void> {
    await this.arrangeFixture(settings.fixture);
    const { speaker } = this;
    if (!speaker.can('angle')) return;
    const wanted = settings.angle ?? 0;
    const isThere = async (): Promise<boolean> =>
      Math.abs((await speaker.number('angle')) - wanted) <= SAME_ANGLE;
    if (await isThere()) return;
    await speaker.act('angle', { angle: wanted }, ARRANGED);
    await this.complete();
    if (await isThere()) return;
    throw this.unread('angle', `${wanted} rad`, `${await speaker.number('angle')} rad`);
  }

  async environment(): Promise<Partial<Environment>> {
    const { speaker } = this;
    const ask = async (name: string): Promise<number | undefined> =>
      speaker.knows(name) ? speaker.number(name) : undefined;
    const ambient = await ask('temperature');
    const humidity = await ask('humidity');
    const supply = await ask('supply');
    const poweredFor = await ask('powered');
    const adapter = speaker.knows('adapter')
      ? adapterOf(await speaker.texts('adapter'))
      : undefined;
    return {
      ...(ambient === undefined ? {} : { ambient: celsius(ambient) }),
      ...(humidity === undefined ? {} : { humidity }),
      ...(supply === undefined ? {} : { supply: volt(supply) }),
      ...(poweredFor === undefined ? {} : { poweredFor }),
      ...(adapter === undefined ? {} : { adapter }),
    };
  }

  async arm(take: TakeOrder): Promise<void> {
    const { speaker } = this;
    this.take = undefined;
    if (take.afterStop !== undefined) {
      const what = `The link "${this.name}" cannot mark the sample at which a safety line opened.`;
      throw problem('link/ability', what, 'Prove the stop function with another digitizer.');
    }
    if (take.on === 'trigger' && !speaker.can('on-trigger')) {
      const what = `The link "${this.name}" cannot begin a take with the waveform.`;
      throw problem('link/ability', what, 'Connect a trigger, or state the timing method host.');
    }
    await this.setRead('rate', take.rate, { rate: take.rate });
    await this.setRead('samples', take.samples, { samples: take.samples });
    const source = `on-${take.on}`;
    if (speaker.can(source)) await speaker.act(source);
    await speaker.act('arm');
    if (take.on === 'trigger') await this.waits();
    this.take = take;
  }

  async *blocks(): AsyncGenerator<SampleBlock> {
    const { take, samples, clock } = this;
    if (take === undefined || samples === undefined) return;
    const most = Math.max(1, Math.floor(BLOCK_SECONDS * take.rate));
    let start = 0;
    let isOver = false;
    let since = clock.monotonic();
    // Every turn ends the take, yields a sample or more, or is one of those a deadline lets be without.
    while (start < take.samples) {
      const block = await samples.fetch(start, Math.min(most, take.samples - start));
      if (take !== this.take) return;
      if (block !== undefined) {
        yield { start, samples: block.samples };
        start += block.count;
        since = clock.monotonic();
      } else if (isOver) return;
      else {
        const state = await this.state();
        isOver = state === 'over';
        const isBegun = start > 0 || take.on === 'now' || state === 'sweeping';
        if (!isOver) await this.patience(clock.monotonic() - since, isBegun);
      }
    }
  }

  async end(): Promise<void> {
    this.take = undefined;
    await this.speaker.act('end');
  }

  async close(): Promise<void> {
    this.take = undefined;
    await this.speaker.session.close();
  }

  private async arrangeFixture(fixture: Fixture): Promise<void> {
    const { speaker } = this;
    const word = speaker.word(`fixture-${fixture}`);
    if (!speaker.can('fixture') && fixture === 'coupled') return;
    if (!speaker.can('fixture') || word === undefined) {
      const what = `The link "${this.name}" cannot arrange the stand ${fixture}.`;
      throw problem('link/ability', what, 'Leave the stage out, or use another bench.');
    }
    const read = async (): Promise<string> => (await speaker.texts('fixture')).join(',');
    const isSo = (told: string): boolean => told.toUpperCase() === word.toUpperCase();
    if (isSo(await read())) return;
    await speaker.act('fixture', { fixture: word }, ARRANGED);
    await this.complete();
    const told = await read();
    if (!isSo(told)) throw this.unread('fixture', word, told);
  }

  private async complete(): Promise<void> {
    if (this.speaker.knows('complete')) await this.speaker.number('complete', ARRANGED);
  }

  /** Sets a number and reads it back where that can be asked. */
  private async setRead(
    name: 'rate' | 'samples',
    wanted: number,
    filling: Readonly<Record<string, number>>,
  ): Promise<void> {
    await this.speaker.act(name, filling);
    if (!this.speaker.knows(name)) return;
    const told = await this.speaker.number(name);
    if (told !== wanted) throw this.unread(name, String(wanted), String(told));
  }

  /** Makes sure that the trigger is waited for before the waveform starts. */
  private async waits(): Promise<void> {
    const isTold = this.speaker.numeric('waiting', 0) > 0;
    const until = this.clock.monotonic() + WITHOUT_SAMPLES;
    while (isTold && (await this.state()) !== 'waiting') {
      if (this.clock.monotonic() >= until) {
        const what = `The link "${this.name}" was armed but does not wait for its trigger after ${WITHOUT_SAMPLES} ms.`;
        throw problem('link/ability', what, 'Check the act "arm" and the fact "waiting".');
      }
      await this.clock.wait(LOOK);
    }
  }

  private async state(): Promise<'over' | 'sweeping' | 'waiting' | 'unknown'> {
    const { speaker } = this;
    if (!speaker.knows('condition')) return 'unknown';
    const bits = await speaker.number('condition', PROMPT);
    if ((bits & speaker.numeric('waiting', 0)) !== 0) return 'waiting';
    return (bits & speaker.numeric('sweeping', 0)) === 0 ? 'over' : 'sweeping';
  }

  private async patience(quiet: number, isBegun: boolean): Promise<void> {
    const most = isBegun ? WITHOUT_SAMPLES : WITHOUT_TRIGGER;
    if (quiet < most) {
      await this.clock.wait(LOOK);
      return;
    }
    const what = `The link "${this.name}" took no sample for ${most} ms${isBegun ? '' : ' and was not triggered'}.`;
    const fix = isBegun ? 'Check the digitizer.' : 'Check the line from the drive to the trigger.';
    throw problem('link/silent', what, fix);
  }

  private unread(name: string, wanted: string, told: string): Error {
    const what = `The link "${this.name}" was set to ${name} ${wanted} and reads back ${told}.`;
    return problem('link/read-back', what, 'Choose what the instrument can hold.');
  }
}

/** id, kind, serial; empty where there is none. */
function adapterOf(told: readonly string[]): Adapter | undefined {
  const [id = '', kind = '', serial = ''] = told;
  return id === '' || kind === '' || serial === '' ? undefined : { id, kind, serial };
}
