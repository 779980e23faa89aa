// The live line to the bench server: one WebSocket, made again when it is lost. A new line never has the controls.
const RETRY_MS = [300, 700, 1500, 3000];
export const OLD_MS = 1300; // without a word for so long, nothing that is shown counts as present

const handlers = new Map();
let socket = null;
let tries = 0;
export let heardAt = -1e9;

export function on(kind, handler) {
  if (!handlers.has(kind)) handlers.set(kind, []);
  handlers.get(kind).push(handler);
}

function tell(kind, message) {
  for (const handler of handlers.get(kind) || []) handler(message);
}

export function send(message) {
  if (connected()) socket.send(JSON.stringify(message));
}

export function alive() {
  return performance.now() - heardAt < OLD_MS;
}

export function connected() {
  return socket !== null && socket.readyState === WebSocket.OPEN;
}

export function connect() {
  socket = new WebSocket(`ws://${location.host}/live`);
  socket.addEventListener("open", () => {
    tries = 0;
    tell("open", {});
  });
  socket.addEventListener("message", (event) => {
    heardAt = performance.now();
    const message = JSON.parse(event.data);
    tell(message.kind, message);
  });
  socket.addEventListener("close", () => {
    socket = null;
    tell("closed", {});
    setTimeout(connect, RETRY_MS[Math.min(tries, RETRY_MS.length - 1)]);
    tries += 1;
  });
}
