// Tallymark for Node: event markers through a box.

export { Box, open } from './box.js';
export { LinkLost, LogFailed, MarkerRefused, MarkerUnconfirmed, NoAnswer, OpenFailed, Refused, TallymarkError } from './errors.js';
export { Marker } from './marker.js';
export { Sequence } from './playing_sequence.js';

/** @typedef {import('./answer_values.js').ByteMarker} ByteMarker */
/** @typedef {import('./answer_values.js').Counters} Counters */
/** @typedef {import('./answer_values.js').Identity} Identity */
/** @typedef {import('./answer_values.js').Levels} Levels */
/** @typedef {import('./answer_values.js').SequenceState} SequenceState */
/** @typedef {import('./answer_values.js').Settings} Settings */
/** @typedef {import('./box.js').BoxEvents} BoxEvents */
/** @typedef {import('./box.js').OpenOptions} OpenOptions */
/** @typedef {import('./marker.js').Outcome} Outcome */
/** @typedef {import('./selftest.js').LineVerdict} LineVerdict */
/** @typedef {import('./selftest.js').Selftest} Selftest */
/** @typedef {import('./playing_sequence.js').SequenceEnd} SequenceEnd */
/** @typedef {import('./playing_sequence.js').Step} Step */
