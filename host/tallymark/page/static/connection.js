// The connection with the program `tallymark page`: requests, and what it tells by itself.

const token = decodeURIComponent(location.hash.slice(1).split("&")[0]);
const RETRY_MS = 1000;

export const windowName = `window ${100 + Math.floor(Math.random() * 900)}`;

function requestNumber() {
  return Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

// Sends a request once, and never again by itself. Returns what came back; throws an Error in words.
export async function ask(path, body) {
  return request(path, body === undefined ? undefined : JSON.stringify({ id: requestNumber(), window: windowName, ...body }),
    "It is not known whether this was done; it is not sent again.");
}

export async function upload(path, file) {
  return request(path, file, `${file.name} was not taken. It may have changed on the disk, or be a folder.`);
}

async function request(path, body, lost) {
  let answer;
  try {
    answer = await fetch(path, { method: body === undefined ? "GET" : "POST", headers: { "x-tallymark-token": token }, body });
  } catch {
    throw new Error(`The program 'tallymark page' did not answer. ${lost}`);
  }
  if (!answer.ok) {
    let text = `The request failed (${answer.status}).`;
    try {
      text = (await answer.json()).error ?? text;
    } catch { /* not JSON: the status has to do */ }
    throw new Error(text);
  }
  return answer;
}

// shown: the number of the box of which this window draws the lines.
export function listen(shown, told, lost) {
  const socket = new WebSocket(`ws://${location.host}/live`);
  socket.onopen = () => socket.send(`${token} ${shown}`);
  socket.onmessage = (message) => told(JSON.parse(message.data));
  socket.onclose = (event) => {
    if (event.code === 4401) {
      lost("The token in the address is missing or wrong. Open the address that 'tallymark page' printed.");
      return;
    }
    lost("No connection to the program 'tallymark page': it has ended, or is busy. What is shown is old, and nothing can be sent. Markers of the byte port go on only if the program runs.");
    setTimeout(() => listen(shown, told, lost), RETRY_MS);
  };
}
