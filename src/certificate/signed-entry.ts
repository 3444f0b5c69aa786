import type { Json } from '../base/canonical.js';
import type { Entry, NewEntry } from '../ledger/ledger.js';
import {
  MEANINGS,
  type LedgerSubject,
  type Meaning,
  type RecordSubject,
  type Statement,
} from './statement.js';

/** Files of one signature beside a record, and their SHA-256. */
export interface SignatureFiles {
  readonly statement: { readonly name: string; readonly digest: string };
  readonly signature: { readonly name: string; readonly digest: string };
}

/** The signature of a ledger review, which lies in the entry itself. */
export interface SignatureText {
  /** The signed bytes, as text. */
  readonly text: string;
  /** Detached CMS, base64 of DER. */
  readonly cms: string;
}

/** A signature as the ledger tells it. */
export interface SignedEntry {
  readonly entry: number;
  /** ms since the Unix epoch. */
  readonly at: number;
  readonly person: string;
  readonly meaning: Meaning;
  readonly what:
    | ({
        readonly kind: 'record';
        readonly certificate: string;
        readonly revision: number;
      } & SignatureFiles)
    | ({ readonly kind: 'ledger'; readonly from: number; readonly to: number } & SignatureText);
}

/** Entry of a signature beside a record; `attempt` is the attempt the record is of. */
export function recordSignedEntry(
  statement: Statement<RecordSubject>,
  files: SignatureFiles,
  attempt: number,
  by: string,
): NewEntry {
  const { number, revision, serial, files: signed } = statement.subject;
  const body = {
    ...shared(statement),
    certificate: number,
    revision,
    files: signed,
    statement: { ...files.statement },
    signature: { ...files.signature },
  };
  return { kind: 'signed', serial, attempt, by, body };
}

/** Entry of a review of the ledger; the signature is in it. */
export function ledgerSignedEntry(
  statement: Statement<LedgerSubject>,
  signed: SignatureText,
  by: string,
): NewEntry {
  const { from, to, digest } = statement.subject;
  const body = {
    ...shared(statement),
    from,
    to,
    digest,
    statement: signed.text,
    signature: signed.cms,
  };
  return { kind: 'signed', serial: '', attempt: 0, by, body };
}

function shared({ person, meaning, why, simulated, subject }: Statement): Record<string, Json> {
  return { what: subject.kind, person: person.id, meaning, why, simulated };
}

/** Reads a signature out of an entry; undefined when it is none or cannot be read. */
export function signedIn({ kind, body, number, at }: Entry): SignedEntry | undefined {
  const meaning = MEANINGS.find((known) => known === body['meaning']);
  const person = textOf(body['person']);
  if (kind !== 'signed' || meaning === undefined || person === '') return undefined;
  const what = body['what'] === 'ledger' ? ledgerPart(body) : recordPart(body);
  if (what === undefined) return undefined;
  return { entry: number, at: Date.parse(at), person, meaning, what };
}

type Body = Entry['body'];

function recordPart(body: Body): SignedEntry['what'] | undefined {
  const certificate = textOf(body['certificate']);
  const { revision } = body;
  const statement = fileOf(body['statement']);
  const signature = fileOf(body['signature']);
  if (certificate === '' || typeof revision !== 'number') return undefined;
  if (statement === undefined || signature === undefined) return undefined;
  return { kind: 'record', certificate, revision, statement, signature };
}

function ledgerPart(body: Body): SignedEntry['what'] | undefined {
  const { from, to } = body;
  const text = textOf(body['statement']);
  const cms = textOf(body['signature']);
  if (typeof from !== 'number' || typeof to !== 'number' || text === '' || cms === '')
    return undefined;
  return { kind: 'ledger', from, to, text, cms };
}

function fileOf(value: Json | undefined): SignatureFiles['statement'] | undefined {
  if (typeof value !== 'object' || value === null || Array.isArray(value)) return undefined;
  const members = value as Readonly<Record<string, Json>>;
  const name = textOf(members['name']);
  const digest = textOf(members['digest']);
  return name === '' || digest === '' ? undefined : { name, digest };
}

const textOf = (value: Json | undefined): string => (typeof value === 'string' ? value : '');
