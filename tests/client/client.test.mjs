// The generated client against the real service at SERVICE_ADDRESS: every operation, and the usage
// that README shows.
import assert from "node:assert/strict";
import { readdirSync } from "node:fs";
import test from "node:test";

import { calls } from "./built/calls.js";
import { Refused, erp } from "./built/usage.js";

const ADDRESS = process.env.SERVICE_ADDRESS;
const tube = { outside_diameter: 12, wall_thickness: 1, material: "e235-n" };
const run = { bends: [{ straight: 50, angle: 90, radius: 36 }], last_straight: 70 };
const service = erp(ADDRESS);

globalThis.SERVICE_ADDRESS = ADDRESS;
for (const file of readdirSync(new URL("built", import.meta.url))) {
  if (/^readme\d+\.js$/.test(file)) test(`README, ${file}`, () => import(`./built/${file}`));
}

for (const [name, call] of Object.entries(calls)) {
  test(name, async () => {
    const { data, error, response } = await call(ADDRESS);
    assert.equal(response.status, 200, JSON.stringify(error));
    assert.ok(data);
    if (response.headers.get("Content-Type") === "application/json" && "result" in data) {
      assert.match(data.version.methods, /^[0-9a-f]{16}$/);
    }
  });
}

test("cut length of a bend worked out by hand", async () => {
  const { length, mass } = await service.cutLength({ tube, run });
  assert.ok(Math.abs(length - (50 + (36 * Math.PI) / 2 + 70)) < 1e-9);
  assert.ok(mass > 0);
});

test("a refusal says where", async () => {
  const thick = { ...tube, wall_thickness: 6 };
  await assert.rejects(service.cutLength({ tube: thick, run }), (error) => {
    assert.ok(error instanceof Refused);
    assert.match(error.message, /^\/tube\/wall_thickness: /);
    return true;
  });
});

test("a cut list, and the same as CSV", async () => {
  const parts = [{ id: "a", length: 1990, quantity: 6 }];
  const stock = [{ id: "bar", length: 6000 }];
  const [list] = await service.cutList({ parts, stock, saw: { kerf: 2, least_remnant: 100 } });
  assert.equal(list.new_bars, 2);
  const file = "kind,id,length_mm,quantity\r\npart,a,1990,6\r\nstock,bar,6000,\r\n";
  const rows = (await service.cutListFile(file, 2, 100)).trimEnd().split("\r\n");
  assert.equal(rows.length, 2);
  assert.match(rows[1], /,bar,6000,2,a,1990,3,6,/);
});

test("a stream of parts comes back in order, a bad one with its reason", async () => {
  const parts = Array.from({ length: 1500 }, (_, i) => ({ id: `p${i}`, tube, run }));
  parts[700] = { ...parts[700], run: { bends: [], last_straight: -1 } };
  let count = 0;
  for await (const entry of service.cutLengths(parts)) {
    assert.equal(entry.id, `p${count}`);
    assert.equal(entry.result === null, count === 700);
    count += 1;
  }
  assert.equal(count, 1500);
});
