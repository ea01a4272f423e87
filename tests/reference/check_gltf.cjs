// Validates a .glb file with the validator of the glTF specification's authors (npm package gltf-validator).
//
//     NODE_PATH=FOLDER/node_modules node check_gltf.cjs FILE.glb
//
// Run by the test `a_scene_passes_the_validator` where ALVINE_NODE_MODULES names a folder with the package. Ends with status 1
// at any error or warning.
const fs = require("fs");
const validator = require("gltf-validator");

validator.validateBytes(new Uint8Array(fs.readFileSync(process.argv[2]))).then((report) => {
  const { numErrors, numWarnings, messages } = report.issues;
  for (const message of messages.slice(0, 20)) console.error(message.severity, message.code, message.message, message.pointer);
  console.log(`${report.info.totalVertexCount} vertices, ${numErrors} errors, ${numWarnings} warnings`);
  process.exit(numErrors + numWarnings > 0 ? 1 : 0);
});
