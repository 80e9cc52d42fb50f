// Answers every OSC message with the same message, address and arguments, by an
// implementation that is not ours (the npm package osc), so that both sides'
// bytes are understood by somebody else.
//
//   node osc_echo.js udp|slip PORT      says "ready" once it listens
//
// The message /together answers as a bundle of two.
const osc = require("osc");
const net = require("net");
const [kind, port] = [process.argv[2], Number(process.argv[3])];

function answer(message) {
  if (message.address !== "/together") return message;
  const first = { address: "/first", args: message.args };
  const second = { address: "/second", args: message.args };
  return { timeTag: { raw: [0, 1] }, packets: [first, second] };
}

if (kind === "udp") {
  const socket = new osc.UDPPort({ localAddress: "127.0.0.1", localPort: port, metadata: true });
  socket.on("message", (message, timeTag, from) => socket.send(answer(message), from.address, from.port));
  socket.on("error", (error) => console.error(error.message));
  socket.on("ready", () => console.log("ready"));
  socket.open();
} else {
  net.createServer((line) => {
    const stream = new osc.TCPSocketPort({ socket: line, metadata: true });
    stream.on("message", (message) => stream.send(answer(message)));
    stream.on("error", (error) => console.error(error.message));
  }).listen(port, "127.0.0.1", () => console.log("ready"));
}
