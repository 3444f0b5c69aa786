import { constants } from 'node:fs';
import { open } from 'node:fs/promises';
import { extname } from 'node:path';
import type { FastifyInstance, FastifyRequest } from 'fastify';
import { nameOf } from '../people/people.js';
import { askedIn, givenIn } from './asked.js';
import { FILE_POLICY } from './guard.js';
import type { Served } from './served.js';
import { fromOf, visitorOf } from './visit.js';

const JSON_TYPE = 'application/json; charset=utf-8';

/** Readings, changes and files of records. */
export function recordRoutes(app: FastifyInstance, served: Served): void {
  app.get('/api/read/:name', async (request, reply) => {
    const answer = await read(request, request.query, served);
    return reply.type(JSON_TYPE).send(answer);
  });
  // The same with arguments too long for an address, e.g. a text that is being written.
  app.post('/api/read/:name', async (request, reply) => {
    const answer = await read(request, request.body, served);
    return reply.type(JSON_TYPE).send(answer);
  });
  app.post('/api/change/:name', async (request, reply) => {
    const { session } = visitorOf(request);
    const name = paramOf(request, 'name');
    const isFromHere = fromOf(request, served.judge).isHere;
    const answer = await served.clerk.change(name, request.body, { session, isFromHere });
    served.site.log.info({ change: name, by: nameOf(session) }, 'changed from a page');
    return reply.type(JSON_TYPE).send(answer);
  });
  app.get('/api/file/:number/:file', async (request, reply) => {
    const { session } = visitorOf(request);
    const [number, file] = [paramOf(request, 'number'), paramOf(request, 'file')];
    const { path, name } = await served.clerk.export(number, file, session);
    const handle = await open(path, constants.O_RDONLY | constants.O_NOFOLLOW);
    const { size } = await handle.stat();
    const isShown = SHOWN.has(extname(name));
    return reply
      .headers({
        'content-type': TYPES[extname(name)] ?? 'application/octet-stream',
        'content-length': size,
        'content-disposition': `${isShown ? 'inline' : 'attachment'}; filename="${name}"`,
        'content-security-policy': FILE_POLICY,
        'x-frame-options': 'SAMEORIGIN',
      })
      .send(handle.createReadStream());
  });
}

/** What a page shows in a frame; all else is saved. */
const SHOWN: ReadonlySet<string> = new Set(['.pdf']);

const TYPES: Readonly<Record<string, string>> = {
  '.pdf': 'application/pdf',
  '.csv': 'text/csv; charset=utf-8',
  '.p7s': 'application/pkcs7-signature',
  '.json': 'application/json',
  '.jsonl': 'application/jsonl',
};

async function read(request: FastifyRequest, given: unknown, { reader }: Served): Promise<unknown> {
  const { session } = visitorOf(request);
  return reader.ask({
    name: paramOf(request, 'name'),
    given: givenIn(askedIn(given)),
    by: nameOf(session),
    roles: session.roles,
  });
}

function paramOf(request: FastifyRequest, name: string): string {
  return (request.params as Readonly<Record<string, string | undefined>>)[name] ?? '';
}
