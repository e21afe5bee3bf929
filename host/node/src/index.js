// Tallymark for Node: event markers through a box.

export { Box, open } from './box.js';
export { LinkLost, MarkerRefused, MarkerUnconfirmed, NoAnswer, OpenFailed, Refused, TallymarkError } from './errors.js';
export { Marker } from './marker.js';
export { Sequence } from './sequence.js';

/** @typedef {import('./values.js').ByteMarker} ByteMarker */
/** @typedef {import('./values.js').Counters} Counters */
/** @typedef {import('./values.js').Identity} Identity */
/** @typedef {import('./values.js').Levels} Levels */
/** @typedef {import('./values.js').SequenceState} SequenceState */
/** @typedef {import('./values.js').Settings} Settings */
/** @typedef {import('./box.js').BoxEvents} BoxEvents */
/** @typedef {import('./marker.js').Outcome} Outcome */
/** @typedef {import('./selftest.js').LineVerdict} LineVerdict */
/** @typedef {import('./selftest.js').Selftest} Selftest */
/** @typedef {import('./sequence.js').SequenceEnd} SequenceEnd */
/** @typedef {import('./sequence.js').Step} Step */
