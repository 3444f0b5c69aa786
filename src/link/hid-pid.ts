import { unreachable } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import type { HidDescriptor, ReportKind, Usage } from './hid-descriptor.js';
import { type HidReport, reportProblem } from './hid-report.js';
import type { PidName } from './hid-usage.js';
import { PidDraft, PidReply, placeOf } from './pid-report.js';

/** s: longest duration of a constant torque, which is the dead-man of a device that has no other. */
export const LONGEST_TORQUE = 0.1;

/** Force effects by their names in the standard. */
export type EffectType =
  | 'constantForce'
  | 'ramp'
  | 'square'
  | 'sine'
  | 'triangle'
  | 'sawtoothUp'
  | 'sawtoothDown'
  | 'spring'
  | 'damper'
  | 'inertia'
  | 'friction';

/** Where a force effect points: axes by usage with page, e.g. 0x00010030 for X, and an angle, rad. */
export interface Aim {
  readonly axes: NonEmpty<Usage>;
  readonly direction: number;
}

/** A force effect as such. Its duration ends: s, > 0; `gain` is a share, 0 … 1. */
export interface EffectSetting extends Aim {
  readonly type: EffectType;
  readonly duration: number;
  readonly gain: number;
}

/** Levels in N·m, `phase` in rad, `period` in s. */
export interface PeriodicSetting {
  readonly magnitude: number;
  readonly offset: number;
  readonly phase: number;
  readonly period: number;
}

/** Saturations in N·m; the others are shares of the greatest value, −1 … 1. `axis` counts from 0. */
export interface ConditionSetting {
  readonly axis: number;
  readonly cpOffset: number;
  readonly positiveCoefficient: number;
  readonly negativeCoefficient: number;
  readonly positiveSaturation: number;
  readonly negativeSaturation: number;
  readonly deadBand: number;
}

/** Levels in N·m, times in s. */
export interface EnvelopeSetting {
  readonly attackLevel: number;
  readonly attackTime: number;
  readonly fadeLevel: number;
  readonly fadeTime: number;
}

export type Operation = 'start' | 'startSolo' | 'stop';
export type DeviceControl = 'enable' | 'disable' | 'stopAll' | 'reset';

const OPERATIONS = {
  start: 'opEffectStart',
  startSolo: 'opEffectStartSolo',
  stop: 'opEffectStop',
} as const satisfies Record<Operation, PidName>;

const CONTROLS = {
  enable: 'dcEnableActuators',
  disable: 'dcDisableActuators',
  stopAll: 'dcStopAllEffects',
  reset: 'dcDeviceReset',
} as const satisfies Record<DeviceControl, PidName>;

const LOAD_STATUS = ['blockLoadSuccess', 'blockLoadFull', 'blockLoadError'] as const;

/** What a device says of its force effects; absent what its descriptor does not have. */
export interface PidState {
  /** Block that the report is about; 0 where it is about none. */
  readonly block: number;
  readonly isPlaying: boolean;
  readonly areActuatorsEnabled: boolean;
  readonly hasActuatorPower?: boolean;
  readonly isPaused?: boolean;
  readonly safetySwitch?: boolean;
  readonly overrideSwitch?: boolean;
}

/** Memory of a device for force effects, in bytes. */
export interface PidPool {
  readonly size: number;
  readonly simultaneous: number;
  readonly isDeviceManaged: boolean;
}

/**
 * Makes and reads the reports of force feedback. Where each value lies, how it is scaled and in what unit
 * is taken from the descriptor; nothing is at a place of its own.
 *
 * Every method that makes a report throws link/ability when the descriptor lacks a field that it needs,
 * or the value is outside what the field can hold. What is not set is 0.
 *
 * Source: USB Device Class Definition for Physical Interface Devices 1.0, 5 (from memory).
 * Check: tests/checks/hid.check.ts.
 */
export class PidReports {
  /**
   * @param fullTorque - N·m at the greatest magnitude; needed where the descriptor gives levels no unit.
   */
  constructor(
    private readonly descriptor: HidDescriptor,
    private readonly fullTorque?: number,
  ) {}

  /** Asks for a block; the answer is read from `blockLoadRequest`. */
  createEffect(type: EffectType): HidReport {
    return this.draft('createNewEffectReport', 'feature').choose('effectType', type).report;
  }

  /** A force effect of finite duration. */
  setEffect(block: number, effect: EffectSetting): HidReport {
    const draft = this.draft('setEffectReport', 'output').number('effectBlockIndex', block);
    draft.choose('effectType', effect.type).value('gain', effect.gain, '1');
    draft.duration(effect.duration).noTrigger();
    return draft.axes(effect.axes).direction(effect.direction).report;
  }

  /** @param torque - N·m, with its sign. */
  setConstant(block: number, torque: number): HidReport {
    const draft = this.draft('setConstantForceReport', 'output');
    return draft.number('effectBlockIndex', block).level('magnitude', torque).report;
  }

  setPeriodic(block: number, { magnitude, offset, phase, period }: PeriodicSetting): HidReport {
    const draft = this.draft('setPeriodicReport', 'output').number('effectBlockIndex', block);
    draft.level('magnitude', magnitude).level('offset', offset);
    return draft.value('phase', phase, 'rad').value('period', period, 's').report;
  }

  /** @param start - N·m, as `end`. */
  setRamp(block: number, start: number, end: number): HidReport {
    const draft = this.draft('setRampForceReport', 'output').number('effectBlockIndex', block);
    return draft.level('rampStart', start).level('rampEnd', end).report;
  }

  setCondition(block: number, condition: ConditionSetting): HidReport {
    const draft = this.draft('setConditionReport', 'output').number('effectBlockIndex', block);
    draft.number('parameterBlockOffset', condition.axis);
    for (const name of [
      'cpOffset',
      'positiveCoefficient',
      'negativeCoefficient',
      'deadBand',
    ] as const) {
      draft.value(name, condition[name], '1');
    }
    draft.level('positiveSaturation', condition.positiveSaturation);
    return draft.level('negativeSaturation', condition.negativeSaturation).report;
  }

  setEnvelope(block: number, envelope: EnvelopeSetting): HidReport {
    const draft = this.draft('setEnvelopeReport', 'output').number('effectBlockIndex', block);
    draft.level('attackLevel', envelope.attackLevel).level('fadeLevel', envelope.fadeLevel);
    draft.value('attackTime', envelope.attackTime, 's');
    return draft.value('fadeTime', envelope.fadeTime, 's').report;
  }

  /** Starts, once, or stops. A start while it goes on begins its duration anew. */
  operate(block: number, operation: Operation): HidReport {
    const draft = this.draft('effectOperationReport', 'output').number('effectBlockIndex', block);
    return draft.choose('effectOperation', OPERATIONS[operation]).number('loopCount', 1).report;
  }

  control(control: DeviceControl): HidReport {
    const draft = this.draft('deviceControlReport', 'output');
    return draft.choose('deviceControl', CONTROLS[control]).report;
  }

  /** @param share - 0 … 1 of the full torque. */
  setDeviceGain(share: number): HidReport {
    return this.draft('deviceGainReport', 'output').value('deviceGain', share, '1').report;
  }

  /**
   * Holds a torque for at most 100 ms: unless it is sent again the device drops it by itself.
   *
   * @param torque - N·m, with its sign.
   * @param duration - s, > 0, ≤ 0.1; an infinite one is refused.
   * @returns Reports in the order in which they are sent; the last begins the duration anew.
   * @throws link/ability
   */
  constantTorque(block: number, torque: number, duration: number, aim: Aim): NonEmpty<HidReport> {
    if (!(duration > 0 && duration <= LONGEST_TORQUE)) {
      const what = `A constant torque for ${duration} s was asked for; it ends after at most ${LONGEST_TORQUE} s.`;
      throw reportProblem('link/ability', what, 'Ask for less, and start it again in time.');
    }
    const { axes, direction } = aim;
    const effect = { type: 'constantForce', duration, gain: 1, axes, direction } as const;
    return [
      this.setEffect(block, effect),
      this.setConstant(block, torque),
      this.operate(block, 'start'),
    ];
  }

  /** Which report is asked for to read what `readBlockLoad` takes. */
  get blockLoadRequest(): Pick<HidReport, 'kind' | 'id'> {
    return this.draft('blockLoadReport', 'feature').report;
  }

  /** Which report is asked for to read what `readPool` takes. */
  get poolRequest(): Pick<HidReport, 'kind' | 'id'> {
    return this.draft('poolReport', 'feature').report;
  }

  /**
   * Reads what became of a request for a block.
   *
   * @returns Its index and the bytes that are left, where the device tells them.
   * @throws link/refused when the memory is full or the request was wrong, link/garbled.
   */
  readBlockLoad(bytes: Uint8Array): { readonly block: number; readonly available?: number } {
    const reply = this.reply('blockLoadReport', 'feature', bytes);
    const status = reply.chosen('blockLoadStatus', LOAD_STATUS);
    switch (status) {
      case 'blockLoadSuccess':
        return { block: reply.block(1), ...reply.known('available', 'ramPoolAvailable') };
      case 'blockLoadFull':
        throw reportProblem(
          'link/refused',
          'The device has no memory left for another force effect.',
          'Reset the device, then load again.',
        );
      case 'blockLoadError':
        throw reportProblem(
          'link/refused',
          'The device refused to load the force effect.',
          'See that the device knows this type of force effect.',
        );
      default:
        return unreachable(status);
    }
  }

  /** @throws link/garbled, link/ability */
  readState(bytes: Uint8Array): PidState {
    const reply = this.reply('stateReport', 'input', bytes);
    return {
      block: reply.block(0),
      isPlaying: reply.number('effectPlaying') !== 0,
      areActuatorsEnabled: reply.number('actuatorsEnabled') !== 0,
      ...reply.flag('hasActuatorPower', 'actuatorPower'),
      ...reply.flag('isPaused', 'devicePaused'),
      ...reply.flag('safetySwitch', 'safetySwitch'),
      ...reply.flag('overrideSwitch', 'actuatorOverrideSwitch'),
    };
  }

  /** @throws link/garbled, link/ability */
  readPool(bytes: Uint8Array): PidPool {
    const reply = this.reply('poolReport', 'feature', bytes);
    return {
      size: reply.number('ramPoolSize'),
      simultaneous: reply.number('simultaneousEffectsMax'),
      isDeviceManaged: reply.number('deviceManagedPool') !== 0,
    };
  }

  private draft(name: PidName, kind: ReportKind): PidDraft {
    return new PidDraft(placeOf(this.descriptor, name, kind), this.fullTorque);
  }

  private reply(name: PidName, kind: ReportKind, bytes: Uint8Array): PidReply {
    return new PidReply(placeOf(this.descriptor, name, kind), bytes);
  }
}
