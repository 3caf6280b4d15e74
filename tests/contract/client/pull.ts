// Signs in, walks the due list page by page, and creates a site once although it is asked twice.
// Environment: BASE, EMAIL, PASSWORD.
import createClient from "openapi-fetch";
import type { components, paths } from "./generated.js";

type DueRow = components["schemas"]["DueView"];

function required(name: string): string {
  const value = process.env[name];
  if (value === undefined) throw new Error(`${name} is not set`);
  return value;
}

const client = createClient<paths>({ baseUrl: required("BASE") });
const session = await client.POST("/v1/sign-in", {
  body: { email: required("EMAIL"), password: required("PASSWORD") },
});
if (session.data === undefined) throw new Error(JSON.stringify(session.error));
client.use({
  onRequest({ request }) {
    request.headers.set("Authorization", `Bearer ${session.data.access_token}`);
    return request;
  },
});

const rows: DueRow[] = [];
let cursor: string | undefined;
do {
  const page = await client.GET("/v1/due", { params: { query: { limit: 50, cursor } } });
  if (page.data === undefined || typeof page.data === "string" || page.data.grouped_by !== "row") {
    throw new Error(JSON.stringify(page.error));
  }
  rows.push(...page.data.items);
  cursor = page.data.next_cursor ?? undefined;
} while (cursor !== undefined);
const ids = new Set(rows.map((row) => row.id));
if (rows.length === 0 || ids.size !== rows.length) throw new Error("the pages do not add up to a list");

const body = { name: "Made by the generated client", time_zone: "UTC", climate: "temperate_sea" };
const key = `client-${process.pid}-${Date.now()}`;
const made = [];
for (const _ of [1, 2]) {
  const answer = await client.POST("/v1/sites", { params: { header: { "Idempotency-Key": key } }, body });
  if (answer.data === undefined) throw new Error(JSON.stringify(answer.error));
  made.push(answer.data.id);
}
if (made[0] !== made[1]) throw new Error("a retry made a second site");
console.log(`${rows.length} due rows, ${made.length} requests for one site: the generated client works`);
