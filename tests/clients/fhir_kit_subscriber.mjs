// A subscriber: subscribes with fhir-kit-client, takes notifications, is down for a while, and catches up by $events.
// Prints what it heard as JSON.
//
//     node fhir_kit_subscriber.mjs <address of the library> <FHIR base> <token>
import { createServer } from "node:http";
import { setTimeout as sleep } from "node:timers/promises";

const [library, baseUrl, bearerToken] = process.argv.slice(2);
const { Client } = await import(library);
const fhir = new Client({ baseUrl, bearerToken });
const guide = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
const meta = { security: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ActReason", code: "HTEST" }] };

const heard = [];
const sockets = new Set();
const listen = (port) => {
  const server = createServer((request, response) => {
    let body = "";
    request.on("data", (piece) => (body += piece));
    request.on("end", () => {
      heard.push({ type: request.headers["content-type"], secret: request.headers["x-secret"], body: JSON.parse(body) });
      response.end();
    });
  });
  server.on("connection", (socket) => sockets.add(socket));
  return new Promise((done) => server.listen(port, "127.0.0.1", () => done(server)));
};
const until = async (what) => {
  for (let tries = 0; tries < 600; tries += 1) {
    const found = await what();
    if (found) return found;
    await sleep(50);
  }
  throw new Error(`never: ${what}`);
};
const said = (bundle, name) => bundle.entry[0].resource.parameter.filter((one) => one.name === name);
const numbers = (bundle) =>
  said(bundle, "notification-event").map((one) => one.part.find((part) => part.name === "event-number").valueString);
const told = () => heard.filter((one) => said(one.body, "type")[0].valueCode === "event-notification");

let server = await listen(0);
const { port } = server.address();
const asked = await fhir.create({
  resourceType: "Subscription",
  body: {
    resourceType: "Subscription",
    meta,
    status: "requested",
    reason: "HTEST",
    criteria: "https://swallow-interop.example.org/fhir/SubscriptionTopic/goal-status-changed",
    channel: {
      type: "rest-hook",
      endpoint: `http://127.0.0.1:${port}/notifications`,
      header: ["X-Secret: theirs"],
      payload: "application/fhir+json",
      _payload: { extension: [{ url: `${guide}/backport-payload-content`, valueCode: "id-only" }] },
    },
  },
});
const { id } = asked;
await until(async () => (await fhir.read({ resourceType: "Subscription", id })).status === "active");
const patient = await fhir.create({ resourceType: "Patient", body: { resourceType: "Patient", meta } });
const write = (lifecycleStatus) =>
  fhir.update({
    resourceType: "Goal",
    id: "subscribed",
    body: {
      resourceType: "Goal",
      id: "subscribed",
      meta,
      lifecycleStatus,
      description: { text: "HTEST" },
      subject: { reference: `Patient/${patient.id}` },
    },
  });
await write("proposed");
await until(() => told().length === 1);

await new Promise((done) => { server.close(done); sockets.forEach((socket) => socket.destroy()); });
await write("active");
await write("completed");
const events = () =>
  fhir.operation({ resourceType: "Subscription", id, name: "events", method: "GET", input: { eventsSinceNumber: "2" } });
const missed = await until(async () => {
  const bundle = await events();
  return numbers(bundle).length === 2 && bundle;
});
server = await listen(port);
await until(() => told().flatMap((one) => numbers(one.body)).includes("3"));
console.log(JSON.stringify({
  types: [...new Set(heard.map((one) => one.type))],
  secrets: [...new Set(heard.map((one) => one.secret))],
  first: said(heard[0].body, "type")[0].valueCode,
  told: told().flatMap((one) => numbers(one.body)),
  missed: numbers(missed),
  status: said(missed, "status")[0].valueCode,
}));
process.exit(0);
