// What the image says of itself on the bus, as JSON: each descriptor as a list of its bytes.

import { Box } from './box.mjs';

const { host } = new Box();
const read = (...request) => [...host.control(...request, 4096)];
const store = read(0x80, 6, 0x0f00, 0);
const texts = [1, 2, 3, 4, 5, 6].map((index) => read(0x80, 6, 0x0300 | index, 0x0409));
console.log(JSON.stringify({
  device: read(0x80, 6, 0x0100, 0),
  configuration: read(0x80, 6, 0x0200, 0),
  languages: read(0x80, 6, 0x0300, 0),
  texts,
  store,
  microsoft: read(0xc0, store.at(-2), 0, 7),
}));
