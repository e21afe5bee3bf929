// Errors. Each message says what happened, what it means for the recording, and what to do next.
//
//   TallymarkError
//   ├── OpenFailed     no such port, port busy, no box behind it, another protocol version
//   ├── LogFailed      the marker log can't be begun, or lacks records
//   ├── LinkLost       the cable was pulled, the box lost power, the client was closed
//   ├── NoAnswer       a question (levels, clock, a step of a sequence ...) got no answer
//   ├── Refused        the box refused a request and did nothing; `reason`, `detail`
//   │   └── MarkerRefused       ... and the request was a marker; `marker`
//   └── MarkerUnconfirmed       nobody can say whether a marker went out; `marker`

/** @typedef {import('./marker.js').Marker} Marker */

/** The parent of all errors of this package. */
export class TallymarkError extends Error {
  /**
   * @param {string} message
   * @param {{ cause?: unknown }} [options]
   */
  constructor(message, options) {
    super(message, options);
    this.name = new.target.name;
  }
}

/** No box could be opened. `cause` is the error of the system, if there was one. */
export class OpenFailed extends TallymarkError {}

/** A marker log can't be begun, and nothing was sent; or it lacks records. */
export class LogFailed extends TallymarkError {}

/** The connection to the box is gone. */
export class LinkLost extends TallymarkError {}

/** A question got no answer. */
export class NoAnswer extends TallymarkError {}

/** The box refused a request and did nothing. */
export class Refused extends TallymarkError {
  /**
   * @param {string} message
   * @param {{ reason: string, detail: number }} refusal
   */
  constructor(message, { reason, detail }) {
    super(message);
    /** The name of the reason, for instance `outside lines` (section 4.4 of the protocol). */
    this.reason = reason;
    /** A number that belongs to the reason. */
    this.detail = detail;
  }
}

/** The box refused a marker: it is not in the recording. */
export class MarkerRefused extends Refused {
  /**
   * @param {string} message
   * @param {{ reason: string, detail: number }} refusal
   * @param {Marker} marker
   */
  constructor(message, refusal, marker) {
    super(message, refusal);
    this.marker = marker;
  }
}

/** Nobody can say whether a marker went out. */
export class MarkerUnconfirmed extends TallymarkError {
  /**
   * @param {string} message
   * @param {Marker} marker
   */
  constructor(message, marker) {
    super(message);
    this.marker = marker;
  }
}
