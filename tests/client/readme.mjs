// Writes readme1.ts, readme2.ts, …: the TypeScript blocks of README, to be compiled and run.
//
// Usage: node readme.mjs README.md
import { readFileSync, writeFileSync } from "node:fs";

const SHOWN = '"http://127.0.0.1:8000"';
const HERE = "(globalThis as unknown as { SERVICE_ADDRESS: string }).SERVICE_ADDRESS";
const blocks = readFileSync(process.argv[2], "utf8").matchAll(/```ts\n(.*?)```/gs);

let number = 0;
for (const [, block] of blocks) {
  writeFileSync(`readme${(number += 1)}.ts`, block.replaceAll(SHOWN, HERE));
}
