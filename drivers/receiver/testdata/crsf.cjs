// CRSF frames written and read by the npm package crsf, for interop_test.go.
//
//   node crsf.cjs FOLDER-OF-THE-PACKAGE
//
// A line of standard input is "rc CH1 ... CH16" (0 to 2047), "link" and ten numbers in
// the order of the wire, "battery VOLTAGE CURRENT USED REMAINING", "mode TEXT", or
// "gps" and six numbers: the frame comes back in hexadecimal digits. "read HEX" reads
// frames: those with channels come back as "CH1 ... CH16;".
"use strict";
const fs = require("node:fs");
const path = require("node:path");
const readline = require("node:readline");
const folder = process.argv[2];
const crsf = require(path.join(folder, "dist/cjs/index.cjs"));
const version = JSON.parse(fs.readFileSync(path.join(folder, "package.json"))).version;

console.log("ready crsf " + version);
const rl = readline.createInterface({ input: process.stdin });
rl.on("line", (line) => {
  const [kind, ...words] = line.split(" ");
  const n = words.map(Number);
  let frame;
  switch (kind) {
    case "rc": // the package takes microseconds: 992 is 1500 us, a step is 0.625 us
      frame = new crsf.RCChannelsPacked(...n.map((ticks) => 1500 + (ticks - 992) * 0.625));
      break;
    case "link":
      frame = new crsf.LinkStatistics(...n);
      break;
    case "battery":
      frame = new crsf.BatterySensor(...n);
      break;
    case "mode":
      frame = new crsf.FlightMode(words.join(" "));
      break;
    case "gps":
      frame = new crsf.GPS(...n);
      break;
    case "read": {
      let found = "";
      const parser = new crsf.CrossfireParser((f) => {
        const v = crsf.getFrameVariant(f);
        if (v.frameType !== crsf.FRAME_TYPE.RC_CHANNELS_PACKED) return;
        for (let k = 1; k <= 16; k++) found += v["channel" + k] + (k < 16 ? " " : ";");
      });
      parser.appendChunk(Buffer.from(words[0], "hex"));
      console.log(found);
      return;
    }
  }
  console.log(Buffer.from(crsf.serialize(frame.crossfireFrame)).toString("hex"));
});
