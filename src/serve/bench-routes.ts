import type { FastifyInstance, FastifyRequest } from 'fastify';
import { throwIfAny, type Problem } from '../base/error.js';
import { nameOf } from '../people/people.js';
import { inRoles, roleProblems } from '../people/session.js';
import { TESTERS } from '../readiness/disposition.js';
import { askedIn, commandIn, tabIn } from './asked.js';
import type { Visitor } from './entrance.js';
import { remoteProblem } from './guard.js';
import type { Tab } from './hold.js';
import type { NestCommand } from './nest-view.js';
import type { Served } from './served.js';
import { fromOf, throwProblem, visitorOf } from './visit.js';

/** Everything a page may ask of the nest, and what it is told of it. */
export function benchRoutes(app: FastifyInstance, served: Served): void {
  const refusals = new Refusals(served);
  app.get('/api/nest', (request, reply) => {
    const { tab = '' } = request.query as Readonly<Record<string, string | undefined>>;
    const { events } = served;
    const follower = followerOf(request, tab, served);
    events.refuseTooMany(follower.session);
    reply.header('content-type', 'text/event-stream').hijack();
    reply.raw.writeHead(200, reply.getHeaders() as Record<string, string>);
    events.follow(follower, reply.raw);
  });
  app.post('/api/nest', async (request) => {
    const asked = askedIn(request.body);
    const command = commandIn(asked['command']);
    const tab = tabOf(request, asked);
    const held = served.hold.problem(tab);
    await refusals.refuse(request, `${command.kind} from a page`, {
      ...(command.kind === 'stop' ? { roles: false } : { held, roles: true }), // anybody here may stop
    });
    throwIfAny(faultProblems(command, served));
    served.site.log.info({ command: command.kind, by: tab.person }, 'asked of the nest');
    throwIfAny(await served.desk.do(command, visitorOf(request).session));
    return {};
  });
  for (const act of ['hold', 'release'] as const) {
    app.post(`/api/nest/${act}`, async (request) => {
      const tab = tabOf(request, askedIn(request.body));
      await refusals.refuse(request, `${act} from a page`, { roles: true });
      throwProblem(act === 'hold' ? served.hold.take(tab) : served.hold.release(tab));
      served.events.views();
      return {};
    });
  }
  app.post('/api/nest/alive', (request) => {
    const tab = tabOf(request, askedIn(request.body));
    throwIfAny(placeProblems(request, served, 'hold the nest'));
    throwProblem(served.hold.alive(tab));
    served.desk.alive();
    return {};
  });
}

function tabOf(request: FastifyRequest, asked: Readonly<Record<string, unknown>>): Tab {
  const { number, session } = visitorOf(request);
  return { session: number, tab: tabIn(asked), person: nameOf(session) };
}

function followerOf(
  request: FastifyRequest,
  tab: string,
  served: Served,
): Parameters<Served['events']['follow']>[0] {
  const { entrance, cookie, judge } = served;
  const visitor = visitorOf(request);
  const from = fromOf(request, judge);
  const secret = request.cookies[cookie];
  const against = [...placeProblems(request, served, ''), ...testerProblems(visitor, '')];
  return {
    ...{ session: visitor.number, tab, mayHold: against.length === 0 },
    counts: () => entrance.counts(secret, from),
  };
}

/** Says that nothing from this browser may reach the bench. */
function placeProblems(
  request: FastifyRequest,
  { judge }: Served,
  act: string,
): readonly Problem[] {
  if (!fromOf(request, judge).isHere) return [remoteProblem(act)];
  if (visitorOf(request).place === 'bench') return [];
  const what = 'You are logged in at a desk, from which the bench is only looked at.';
  return [{ code: 'page/not-now', what, fix: 'Log out, then log in at the bench.' }];
}

const testerProblems = ({ session }: Visitor, act: string): readonly Problem[] =>
  roleProblems(inRoles(session), TESTERS, act);

function faultProblems(command: NestCommand, { desk }: Served): readonly Problem[] {
  if (command.kind !== 'scan' || command.faults === undefined || desk.view.simulated) return [];
  const what = 'Faults are given to a simulated bench only.';
  return [{ code: 'usage/argument', what, fix: 'Scan the item without them.' }];
}

/** ms within which the same refusal of the same person is entered once. */
const SAME = 60_000;

/** Most refusals that are remembered for it. */
const REMEMBERED = 1000;

/** Refuses what a browser may not ask of the nest, and enters that it was refused. */
class Refusals {
  /** When each was entered, ms since the Unix epoch. */
  readonly #entered = new Map<string, number>();

  constructor(private readonly served: Served) {}

  /**
   * @param what - As the entry calls it.
   * @throws page/remote, page/not-now, people/role, page/held.
   */
  async refuse(
    request: FastifyRequest,
    what: string,
    { held, roles }: { readonly held?: Problem | undefined; readonly roles: boolean },
  ): Promise<void> {
    const visitor = visitorOf(request);
    const problems = [
      ...placeProblems(request, this.served, what),
      ...(roles ? testerProblems(visitor, what) : []),
      ...(held === undefined ? [] : [held]),
    ];
    const enters = problems.some(({ code }) => code === 'page/remote' || code === 'people/role');
    const { entrance, clerk } = this.served;
    if (enters && this.#isNew(`${String(visitor.number)} ${what}`)) {
      const place = await entrance.bench();
      await clerk.refuse({ by: nameOf(visitor.session), what, place, problems });
    }
    throwIfAny(problems);
  }

  /** A browser that asks again and again fills no ledger. */
  #isNew(key: string): boolean {
    const now = this.served.site.clock.now();
    const before = this.#entered.get(key);
    if (before !== undefined && now - before < SAME) return false;
    if (this.#entered.size >= REMEMBERED) this.#entered.clear();
    this.#entered.set(key, now);
    return true;
  }
}
