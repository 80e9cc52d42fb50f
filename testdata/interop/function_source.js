// A program that measures by itself, as far as hushback can tell: a websocket
// server by the npm package ws that waits for a subscription and then sends one
// function after the other. The level at 50 Hz counts them, in hundredths of a dB.
const { WebSocketServer } = require("ws");

const server = new WebSocketServer({ host: "127.0.0.1", port: 0, handleProtocols: (offered) => (offered.has("measurement.v1") ? "measurement.v1" : false) });
server.on("listening", () => console.log(server.address().port));
let count = 0;
server.on("connection", (socket) => {
	socket.on("message", (text) => {
		const wish = JSON.parse(text);
		console.log("told " + wish.subscribe);
		socket.send(JSON.stringify({ greeting: "hello" }));
		const timer = setInterval(() => {
			count++;
			socket.send(JSON.stringify({ trace: { hz: [48, 50, 52], db: [-20, -count / 100, -30], deg: [0, 90, 180], coherence: [0.9, 0.99, 0.5] }, settings: { averages: 8 } }));
			if (count === 20) socket.terminate(); // as a program that crashes
		}, 5);
		socket.on("close", () => clearInterval(timer));
	});
});
