// A served virtual box for a test, with the wires, the link and the power in the test's hand (see ../box_server_for_node.py).

import { spawn } from 'node:child_process';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { open } from '../../../host/node/src/index.js';

const PROGRAM = fileURLToPath(new URL('../box_server_for_node.py', import.meta.url));

class Rig {
  #process = spawn(process.env.PYTHON ?? 'python3', [PROGRAM], { stdio: ['pipe', 'pipe', 'inherit'] });
  #lines = createInterface({ input: this.#process.stdout })[Symbol.asyncIterator]();

  async ask(what) {
    this.#process.stdin.write(`${JSON.stringify(what)}\n`);
    const { value } = await this.#lines.next();
    return JSON.parse(value);
  }

  /** Changes of the lines since the last call, as [box time, levels]. */
  edges() { return this.ask({ task: 'edges' }); }
  lose({ requests = [], answers = [], most }) { return this.ask({ task: 'lose', requests, answers, most }); }
  lost() { return this.ask({ task: 'lost' }); }
  restart() { return this.ask({ task: 'restart' }); }
  restartBefore(...requests) { return this.ask({ task: 'restart_before', requests }); }
  unplug() { return this.ask({ task: 'unplug' }); }
  byte(data) { return this.ask({ task: 'byte', data }); }

  end() { this.#process.stdin.end(); }
}

/** Serves a box and opens it; both end with the test. */
export async function serve(test, wanted = {}) {
  const rig = new Rig();
  test.after(() => rig.end());
  rig.where = await rig.ask(wanted);
  return rig;
}

export async function openBox(test, wanted = {}) {
  const rig = await serve(test, wanted);
  const box = await open(rig.where);
  test.after(() => box.close());
  return { rig, box };
}

export const tcpAndTerminal = [{ tcp: true }, { tcp: false }];
export const nameOf = ({ tcp }) => (tcp ? 'TCP' : 'a pseudo-terminal');
