// Prints what the validator finds in a GLB file, as JSON.
const validator = require("gltf-validator");
const fs = require("fs");
validator.validateBytes(new Uint8Array(fs.readFileSync(process.argv[2])), {maxIssues: 0}).then(
  (report) => console.log(JSON.stringify(report)),
  (error) => { console.error(String(error)); process.exit(1); },
);
