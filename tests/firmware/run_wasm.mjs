// Runs a MicroPython script in the WebAssembly build and exits non-zero when it raises, which the build's own command
// line never does.  usage: node run_wasm.mjs INTERPRETER.mjs MODULE_DIR... -- SCRIPT_TEXT
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const args = process.argv.slice(2);
const split = args.indexOf("--");
const [interpreter, ...folders] = args.slice(0, split);
const { loadMicroPython } = await import(pathToFileURL(interpreter).href);
const mp = await loadMicroPython({
    heapsize: 4 * 1024 * 1024,
    linebuffer: true,
    stdout: (line) => console.log(line),
});

function copyInto(target, folder) {
    mp.FS.mkdir(target);
    for (const name of readdirSync(folder)) {
        const path = join(folder, name);
        if (statSync(path).isFile() && name.endsWith(".py")) {
            mp.FS.writeFile(`${target}/${name}`, readFileSync(path));
        }
    }
}

mp.FS.mkdir("/fw");
mp.runPython("import sys; sys.path.insert(0, '/fw')");
for (const folder of folders) {
    if (folder.endsWith("evenbed_fw")) {
        copyInto("/fw/evenbed_fw", folder);
    } else {
        mp.FS.writeFile(`/fw/${folder.split("/").pop()}`, readFileSync(folder));
    }
}
try {
    mp.runPython(args[split + 1]);
} catch (error) {
    console.error(String(error));
    process.exit(1);
}
