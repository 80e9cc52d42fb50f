// A microphone's agent that shares nothing with hushback but the description in
// DEVELOPERS.md: a websocket client by the npm package ws.
//
//   node feed_agent.js URL TOKEN MICROPHONE audio|functions
//
// With audio it plays a recorder at 44.1 kHz: sample i holds -(i mod 9973) in the
// microphone's channel and twice its opposite in the reference. A second after the
// first mark it crashes off the network, with the daemon owed samples, comes back a
// third of a second later and sends again what the daemon wants. With functions it
// answers each mark with a transfer function whose level at 50 Hz is -id dB. It
// says on stdout what the daemon says.
const WebSocket = require("ws");
const [url, token, microphone, sends] = process.argv.slice(2);
const session = "node-" + process.pid + "-agent";
const rate = 44100;
const began = process.hrtime.bigint();
const now = () => Number(((process.hrtime.bigint() - began) * BigInt(rate)) / 1000000000n);

let kept = []; // frames that were not acknowledged: [first, count]
let next = 0; // index of the first sample that is in no frame yet
let crashed = false;

function frame(seq, first, count) {
	const b = Buffer.alloc(24 + 4 * count);
	b.write("HBAF");
	b.writeUInt16LE(1, 4);
	b.writeUInt16LE(2, 6);
	b.writeUInt32LE(seq, 8);
	b.writeBigUInt64LE(BigInt(first), 12);
	b.writeUInt32LE(count, 20);
	for (let i = 0; i < count; i++) {
		b.writeInt16LE(-((first + i) % 9973), 24 + 4 * i); // the microphone first, as the hello says
		b.writeInt16LE(2 * ((first + i) % 9973), 26 + 4 * i);
	}
	return b;
}

function connect() {
	const socket = new WebSocket(url, ["hushback.feed.v2"], { headers: { Authorization: "Bearer " + token } });
	let seq = 0;
	let timer;
	const send = ([first, count]) => socket.send(frame(seq++, first, count));
	const record = () => {
		for (const taken = now(); next < taken; ) {
			const part = [next, Math.min(taken - next, 1000)];
			next += part[1];
			kept.push(part);
			if (socket.readyState === WebSocket.OPEN) send(part);
		}
	};
	socket.on("open", () => {
		const hello = { type: "hello", microphone, session, sends };
		if (sends === "audio") Object.assign(hello, { rate, channels: ["microphone", "reference"], format: "s16le" });
		socket.send(JSON.stringify(hello));
	});
	socket.on("message", (text) => {
		const said = JSON.parse(text);
		if (said.type === "ack") {
			kept = kept.filter(([first, count]) => first + count > said.next);
			return;
		}
		console.log(said.type, said.next ?? said.message ?? said.id);
		if (said.type === "welcome" && sends === "audio") {
			kept.filter(([first, count]) => first + count > said.next).forEach(send);
			timer = setInterval(record, 20);
		}
		if (said.type === "mark" && sends === "audio") {
			socket.send(JSON.stringify({ type: "mark", id: said.id, sample: now() }));
			if (!crashed) setTimeout(() => { record(); socket.terminate(); }, 1000);
			crashed = true;
		}
		if (said.type === "mark" && sends === "functions")
			socket.send(JSON.stringify({ type: "function", id: said.id, freqHz: [40, 50], levelDB: [0, -said.id], phaseRad: [0, 1.5], coherence: [1, 0.75], averages: 16 }));
	});
	socket.on("close", (code) => {
		console.log("closed", code);
		clearInterval(timer);
		if (code === 1006) setTimeout(connect, 333);
	});
	socket.on("error", (error) => console.log("error", error.message));
}
connect();
