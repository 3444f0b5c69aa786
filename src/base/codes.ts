/** Exit status of the program, one number per kind of ending. */
export const EXIT = {
  conforming: 0,
  nonconforming: 1,
  held: 2,
  usage: 64,
  document: 65,
  bench: 69,
  defect: 70,
  storage: 74,
  stopped: 130,
} as const;

export type ExitName = keyof typeof EXIT;

/** Every error code with its exit status and its meaning in one line. Add the code here first. */
export const CODES = {
  'usage/argument': ['usage', 'an option or argument is missing, unknown or contradictory'],
  'quantity/not-finite': ['document', 'a value is NaN or infinite'],
  'quantity/unreadable': ['document', 'a text is not a number with a known unit'],
  'yaml/unreadable': ['document', 'the file cannot be read or is not YAML 1.2'],
  'yaml/too-large': ['document', 'the file is larger or deeper than a document may be'],
  'yaml/duplicate-key': ['document', 'a key stands twice in one mapping'],
  'yaml/alias': ['document', 'an anchor or alias stands where none is allowed'],
  'yaml/old-reading': ['document', 'a plain word that older YAML reads as a number or a boolean'],
  'document/key': ['document', 'a key is missing, unknown or misplaced'],
  'document/value': ['document', 'a value is of the wrong kind or outside its range'],
  'procedure/unit-mismatch': ['document', 'a quantity has the wrong dimension'],
  'procedure/bare-number': ['document', 'a number stands without its unit'],
  'procedure/warning': ['document', 'a mandatory warning, translation or pictogram is missing'],
  'procedure/ceiling': ['document', 'a waveform exceeds the torque ceiling'],
  'procedure/slew': ['document', 'a waveform asks for more slew than the item is rated for'],
  'procedure/energy': ['document', 'a waveform heats the item beyond its rating'],
  'procedure/duplicate': ['document', 'two stages have one id'],
  'procedure/reading': ['document', 'a stage cannot yield what it says is read off it'],
  'procedure/recording': ['document', 'a recorded pattern is missing or its digest differs'],
  'limits/order': ['document', 'the lower limit is not below the upper'],
  'limits/empty': ['document', 'a limit has neither lower nor upper end, or there are no limits'],
  'limits/unknown': ['document', 'a limit names no known characteristic'],
  'limits/unfed': ['document', 'a limit names a characteristic that no stage yields'],
  'limits/unused-stage': ['document', 'note: a stage feeds no limit'],
  'limits/rule': ['document', 'no decision rule, or a rule that leaves nothing to accept'],
  'limits/uncertainty': [
    'document',
    'the bench states no uncertainty for a guarded characteristic',
  ],
  'limits/wide-uncertainty': ['document', 'note: U is more than a quarter of the tolerance'],
  'document/not-approved': ['document', 'a procedure or limits file carries no approval'],
  'document/changed': ['document', 'a file was changed after its approval'],
  'document/mismatch': ['document', 'procedure, limits, bench or model do not belong together'],
  'serial/grammar': ['usage', 'a serial does not follow the grammar of its model'],
  'serial/unknown-model': ['usage', 'no procedure for the model in this serial'],
  'serial/attempts': ['usage', 'a retest is not allowed without disposition'],
  'readiness/not-ready': ['bench', 'the bench may not test now'],
  'bench/permit-void': ['bench', 'power was asked for without a live permit'],
  'bench/outstanding-warnings': ['bench', 'a warning is not acknowledged'],
  'bench/interlock': ['bench', 'an interlock is open, stale or contradictory'],
  'bench/unreachable': ['bench', 'a link to the bench is down'],
  'bench/ceiling': ['bench', 'torque above the ceiling was commanded or measured'],
  'bench/device-fault': ['bench', 'the device reports a fault'],
  'bench/dead-man': ['bench', 'the device dropped torque because the feed stopped'],
  'bench/capability': ['bench', 'the bench cannot do what the procedure asks'],
  'bench/wrong-item': ['bench', 'the device in the nest is not the item that was scanned'],
  'run/stopped': ['stopped', 'the operator stopped the run'],
  'run/transition': ['defect', 'a run was asked for a step its state does not allow'],
  'keys/missing': ['storage', 'the key or certificate file is not there'],
  'keys/passphrase': ['storage', 'the passphrase is missing or does not open the key'],
  'keys/purpose': ['storage', 'the key may not seal this kind of record'],
  'keys/exists': ['storage', 'keys are there already and are never overwritten'],
  'keys/expired': ['storage', 'the certificate of the key is not valid at this date'],
  'keys/damaged': ['storage', 'a key or certificate file is not what it should be'],
  'certificate/missing-item': ['storage', 'the certificate lacks an item it must carry'],
  'ledger/busy': ['storage', 'another program holds the ledger'],
  'ledger/damaged': ['storage', 'the ledger does not audit clean'],
  'ledger/clock': ['storage', 'the clock is earlier than the last record'],
  'storage/unwritable': ['storage', 'a folder or file cannot be written'],
  'storage/full': ['storage', 'too little space is left on the disk'],
  'storage/unreadable': ['storage', 'a file cannot be read'],
} as const satisfies Record<string, readonly [ExitName, string]>;

export type ErrorCode = keyof typeof CODES;

/** Returns the exit status of a code. */
export function exitStatus(code: ErrorCode): number {
  return EXIT[CODES[code][0]];
}
