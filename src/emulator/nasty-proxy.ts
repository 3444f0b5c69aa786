import { connect } from 'node:net';
import { type Clock, systemClock } from '../base/clock.js';
import { type Listening, type ListenPlace, listenTcp, socketPort } from './listening-port.js';
import type { Port } from '../link/port.js';
import { nastyPort, type Nastiness, type NastyPort, type PausingPort } from './nastiness.js';

/** A TCP server in front of another one, on a misbehaving cable. */
export interface NastyProxy extends Listening {
  /** Changes every connection there is and those to come. */
  misbehave(nastiness: Nastiness): void;
}

/** Peers at a time. */
const MOST_PEERS = 8;

/**
 * Passes every connection on to another server, misbehaving as a device would whose port is a `nastyPort`.
 * The end of either side ends the other.
 *
 * @param place - Where it listens.
 * @param target - Where the server listens that it stands before.
 * @throws link/unreachable when the address cannot be taken.
 */
export async function nastyProxy(
  place: ListenPlace,
  target: ListenPlace,
  { nastiness, seed, clock = systemClock }: ProxyPlan,
): Promise<NastyProxy> {
  let plan = nastiness;
  let calls = 0;
  const cables = new Set<NastyPort>();
  const called = (port: PausingPort): void => {
    calls += 1;
    const cable = nastyPort(port, plan, seed + calls - 1, clock);
    cables.add(cable);
    const socket = connect({
      host: target.host,
      port: target.port,
      noDelay: true,
      allowHalfOpen: true,
    });
    const server = socketPort(socket, clock);
    join(cable, server, () => cables.delete(cable));
  };
  const listening = await listenTcp(place, called, { most: MOST_PEERS, clock });
  return {
    ...listening,
    misbehave: (next) => {
      plan = next;
      for (const cable of cables) cable.misbehave(next);
    },
  };
}

interface ProxyPlan {
  readonly nastiness: Nastiness;
  readonly seed: number;
  readonly clock?: Clock;
}

function join(cable: NastyPort, server: Port, gone: () => void): void {
  const hangUp = (): void => {
    gone();
    void cable.close();
    void server.close();
  };
  cable.listen({
    bytes: (chunk) => {
      server.write(chunk).catch(hangUp);
    },
    closed: hangUp,
  });
  server.listen({
    bytes: (chunk) => {
      cable.write(chunk).catch(hangUp);
    },
    closed: hangUp,
  });
}
