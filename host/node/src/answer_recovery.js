// Markers whose answers don't come. None is sent again: the box is asked for the fate of each, one after the other (sections 3.3 and
// 3.4 of the protocol).

import { FATE } from './marker_outcomes.js';
import { makeRequest } from './pending_request.js';

/** @typedef {import('./accepted_markers.js').AcceptedMarkers} AcceptedMarkers */
/** @typedef {import('./session_check.js').SessionCheck} SessionCheck */
/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./marker_outcomes.js').MarkerOutcomes} MarkerOutcomes */
/** @typedef {import('./pending_request.js').Request} Request */
/** @typedef {import('./request_window.js').RequestWindow} RequestWindow */

/** @typedef {{ request: Request, tries: number, since: number }} Doubt `since`: when its fate was first asked for, ms */

const FATE_TRIES = 2;

/** Finds out what became of them. */
export class AnswerRecovery {
  /** Markers whose fate has to be asked for. @type {Doubt[]} */
  #doubtful = [];
  #window;
  #accepted;
  #outcomes;
  #background;

  /**
   * @param {RequestWindow} window
   * @param {AcceptedMarkers} accepted
   * @param {MarkerOutcomes} outcomes
   * @param {SessionCheck} background
   */
  constructor(window, accepted, outcomes, background) {
    this.#window = window;
    this.#accepted = accepted;
    this.#outcomes = outcomes;
    this.#background = background;
  }

  /** @param {Request} request a marker whose answer is overdue, or seems to be lost */
  doubt(request) {
    request.isAsking = true;
    this.#window.giveBack(request);
    this.#doubtful.push({ request, tries: 0, since: performance.now() });
    this.#window.freed();
  }

  /**
   * The box answers in the order of requests, but for markers that wait for their gap: an earlier one that has no answer yet
   * waits, or its answer is lost.
   * @param {number} count of a request that was answered
   */
  suspect(count) {
    for (const request of this.#window.markersBefore(count)) {
      if (!request.isAsking && !request.isWaiting) this.doubt(request);
    }
  }

  /** The box has forgotten them all, or the connection is gone. */
  clear() {
    this.#doubtful = [];
  }

  /** Asks for the next fate, if no other question is on its way. */
  ask() {
    const window = this.#window;
    while (this.#doubtful.length && window.isReady && !window.question && this.#askOldest());
  }

  /**
   * Asks for the fate of the marker that has been overdue for longest.
   * @returns {boolean} whether the next one can be looked at
   */
  #askOldest() {
    const { request, ...doubt } = this.#doubtful[0];
    if (request.marker?.outcome !== 'open') { // its answer came after all
      this.#doubtful.shift();
      return true;
    }
    if (!this.#window.knowsFate(request)) {
      this.#doubtful.shift();
      this.#drop(request, 'its answer did not come, and the box was used too much since to be asked.');
      return true;
    }
    const question = makeRequest('fate', { asked: request.tag }, {
      answered: ({ fields }) => this.#learn(request, fields),
      overdue: () => {
        this.#window.finish(question);
        if (doubt.tries + 1 < FATE_TRIES) this.#doubtful.unshift({ request, tries: doubt.tries + 1, since: doubt.since });
        else this.#despair(request, doubt.since);
        this.#window.freed();
      },
      failed: () => {},
    });
    if (!this.#window.fitsForFate(question.bytes)) return false;
    this.#doubtful.shift();
    this.#window.sendQuestion(question);
    return false;
  }

  /**
   * @param {Request} request
   * @param {Record<string, any>} fate
   */
  #learn(request, fate) {
    const marker = /** @type {Marker} */ (request.marker);
    if (marker.outcome !== 'open') return; // its answer came after all
    const { outcome, code, time } = fate;
    const isKnown = code === marker.code && (outcome === FATE.waiting || time >= request.since);
    if (code === marker.code && marker.at !== null && outcome === FATE.accepted) {
      this.#window.finish(request);
      marker.answerLost = true;
      this.#accepted.accept(marker, fate.number, request.since, true);
    } else if (isKnown && outcome === FATE.waiting) {
      request.isAsking = false;
      request.isWaiting = true;
      this.#window.watch(request);
    } else if (isKnown && (outcome === FATE.done || outcome === FATE.refused)) {
      this.#window.finish(request);
      this.#outcomes.learned(marker, fate);
    } else {
      this.#drop(request, 'its answer did not come, and the box has no record of it: most likely it was lost in transmission.');
      this.#background.checkSession();
    }
  }

  /**
   * No answer to the question either. If nothing at all came since, the others are not asked for: that would take minutes.
   * @param {Request} request
   * @param {number} since
   */
  #despair(request, since) {
    const silent = this.#window.heard < since;
    const given = silent ? [request, ...this.#doubtful.splice(0).map((doubt) => doubt.request)] : [request];
    for (const each of given) this.#drop(each, 'neither its answer nor the answer to the question for its fate was received.');
  }

  /**
   * @param {Request} request
   * @param {string} because
   */
  #drop(request, because) {
    if (request.marker?.outcome !== 'open') return;
    this.#window.finish(request);
    this.#outcomes.giveUp(request.marker, because, 'Check the cable and its length.');
  }
}
