// Tallymark for Node: event markers through a box.

export { Box, open } from './box.js';
export { LinkLost, MarkerRefused, MarkerUnconfirmed, NoAnswer, OpenFailed, Refused, TallymarkError } from './errors.js';
export { Marker } from './marker.js';
export { Sequence } from './sequence.js';

/** @typedef {import('./box.js').Identity} Identity */
/** @typedef {import('./box.js').Settings} Settings */
/** @typedef {import('./selftest.js').Selftest} Selftest */
/** @typedef {import('./selftest.js').LineVerdict} LineVerdict */
/** @typedef {import('./sequence.js').Step} Step */
/** @typedef {import('./sequence.js').SequenceState} SequenceState */
/** @typedef {import('./sequence.js').SequenceEnd} SequenceEnd */
/** @typedef {import('./marker.js').Outcome} Outcome */
