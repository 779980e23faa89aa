// Runs MicroPython text in the WebAssembly build and exits non-zero when it raises, which the build's own command line
// never does.  usage: node run_wasm.mjs INTERPRETER.mjs PACKAGE_FOLDER... -- TEXT
import { readdirSync, readFileSync } from "node:fs";
import { basename, join } from "node:path";
import { pathToFileURL } from "node:url";

const args = process.argv.slice(2);
const split = args.indexOf("--");
const [interpreter, ...folders] = args.slice(0, split);
const { loadMicroPython } = await import(pathToFileURL(interpreter).href);
// Garbage is collected only between calls from here, so one run must fit into the heap.
const mp = await loadMicroPython({
    heapsize: 4 * 1024 * 1024,
    linebuffer: true,
    stdout: (line) => console.log(line),
});

mp.FS.mkdir("/packages");
for (const folder of folders) {
    const target = `/packages/${basename(folder)}`;
    mp.FS.mkdir(target);
    for (const name of readdirSync(folder).filter((name) => name.endsWith(".py"))) {
        mp.FS.writeFile(`${target}/${name}`, readFileSync(join(folder, name)));
    }
}
try {
    mp.runPython("import sys\nsys.path.insert(0, '/packages')");
    mp.runPython(args[split + 1]);
} catch (error) {
    console.error(String(error));
    process.exit(1);
}
