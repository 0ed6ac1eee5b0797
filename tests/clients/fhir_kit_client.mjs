// Drives a running service with fhir-kit-client, a client library from npm; prints each step's result as JSON.
//
//     node fhir_kit_client.mjs <address of the library> <FHIR base> <token>
import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";

const [library, baseUrl, bearerToken] = process.argv.slice(2);
const { Client } = await import(library);
const fhir = new Client({ baseUrl, bearerToken });

const system = "https://clinic.example.org/patients";
const label = "http://terminology.hl7.org/CodeSystem/v3-ActReason";
const meta = { security: [{ system: label, code: "HTEST" }] };
const number = () => `client-${randomUUID()}`;
const patient = (value, family = "Scripted") => ({
  resourceType: "Patient",
  meta,
  identifier: [{ system, value }],
  name: [{ family, given: ["Test"] }],
});
const weight = (reference, day = "2026-03-06") => ({
  resourceType: "Observation",
  meta,
  status: "final",
  code: { coding: [{ system: "http://loinc.org", code: "29463-7" }] },
  subject: { reference },
  effectiveDateTime: day,
  valueQuantity: { value: 72.5, unit: "kg", system: "http://unitsofmeasure.org", code: "kg" },
});
const create = (body, options) => fhir.create({ resourceType: body.resourceType, body, options });
const person = () => create(patient(number()));
const status = (promise) => promise.then(() => 200, (error) => error.response.status);
const entries = (bundle) => (bundle.entry ?? []).map((entry) => entry.resource);

const steps = {
  async metadata() {
    assert.equal((await fhir.capabilityStatement()).fhirVersion, "4.0.1");
  },

  async createReadUpdateDelete() {
    const { id } = await person();
    const body = { ...(await fhir.read({ resourceType: "Patient", id })), active: true };
    const updated = await fhir.update({ resourceType: "Patient", id, body });
    assert.equal(updated.meta.versionId, "2");
    await fhir.delete({ resourceType: "Patient", id });
    assert.equal(await status(fhir.read({ resourceType: "Patient", id })), 410);
    assert.equal(await status(fhir.read({ resourceType: "Patient", id: "never-there" })), 404);
  },

  async versionsAndHistory() {
    const made = await person();
    await fhir.update({ resourceType: "Patient", id: made.id, body: { ...made, active: true } });
    const first = await fhir.vread({ resourceType: "Patient", id: made.id, version: "1" });
    assert.equal(first.active, undefined);
    for (const of of [{ resourceType: "Patient", id: made.id }, { resourceType: "Patient" }, {}]) {
      const history = await fhir.history(of);
      const mine = entries(history).filter((one) => one?.id === made.id);
      assert.equal(history.type, "history");
      assert.deepEqual(mine.map((one) => one.meta.versionId), ["2", "1"]);
    }
  },

  async patch() {
    const { id } = await person();
    const change = { op: "replace", path: "/name/0/family", value: "Patched" };
    const patched = await fhir.patch({ resourceType: "Patient", id, jsonPatch: [change] });
    assert.equal(patched.name[0].family, "Patched");
    const refused = [{ op: "test", path: "/name/0/family", value: "Other" }, { op: "remove", path: "/name" }];
    const answer = await status(fhir.patch({ resourceType: "Patient", id, jsonPatch: refused }));
    assert.ok(answer >= 400 && answer < 500);
    assert.equal((await fhir.read({ resourceType: "Patient", id })).meta.versionId, "2");
  },

  async transactionAndPages() {
    const address = `urn:uuid:${randomUUID()}`;
    const bodies = [patient(number()), ...Array.from({ length: 25 }, () => weight(address))];
    const entry = bodies.map((resource, place) => ({
      fullUrl: place ? `urn:uuid:${randomUUID()}` : address,
      resource,
      request: { method: "POST", url: resource.resourceType },
    }));
    const done = await fhir.transaction({ body: { resourceType: "Bundle", type: "transaction", entry } });
    assert.equal(done.entry.length, 26);
    const id = done.entry[0].response.location.split("/").at(-3);
    const seen = [];
    const searchParams = { patient: `Patient/${id}`, _count: 10 };
    let page = await fhir.search({ resourceType: "Observation", searchParams });
    for (; page; page = await fhir.nextPage({ bundle: page })) {
      seen.push(...entries(page).map((one) => one.id));
    }
    assert.equal(seen.length, 25);
    assert.equal(new Set(seen).size, 25);
  },

  async postedSearch() {
    const { id } = await person();
    await create(weight(`Patient/${id}`));
    const searchParams = { patient: `Patient/${id}`, code: "http://loinc.org|29463-7" };
    const options = { postSearch: true };
    const posted = await fhir.search({ resourceType: "Observation", searchParams, options });
    const got = await fhir.search({ resourceType: "Observation", searchParams });
    assert.equal(posted.total, 1);
    assert.deepEqual(entries(posted), entries(got));
  },

  async conditionalCreateAndUpdate() {
    const value = number();
    const condition = `identifier=${system}|${value}`;
    const first = await create(patient(value), { headers: { "If-None-Exist": condition } });
    const again = await create(patient(value), { headers: { "If-None-Exist": condition } });
    assert.equal(again.id, first.id);
    const searchParams = { identifier: `${system}|${value}` };
    const body = patient(value, "Renamed");
    const updated = await fhir.update({ resourceType: "Patient", searchParams, body });
    assert.deepEqual([updated.id, updated.meta.versionId], [first.id, "2"]);
  },

  async compartmentSearch() {
    const [one, other] = [await person(), await person()];
    for (const { id } of [one, other]) await create(weight(`Patient/${id}`));
    const compartment = { resourceType: "Patient", id: one.id };
    const searchParams = { code: "29463-7" };
    const found = await fhir.search({ resourceType: "Observation", compartment, searchParams });
    assert.deepEqual(entries(found).map((each) => each.subject.reference), [`Patient/${one.id}`]);
  },

  async systemSearch() {
    const { id } = await person();
    const found = await fhir.search({ searchParams: { _type: "Patient,Observation", _id: id } });
    assert.deepEqual(entries(found).map((each) => each.id), [id]);
  },

  async references() {
    const { id } = await person();
    const made = await create(weight(`Patient/${id}`));
    const resolved = await fhir.resolve({ reference: made.subject.reference });
    assert.equal(resolved.id, id);
  },

  async operations() {
    const { id } = await person();
    await create(weight(`Patient/${id}`));
    const of = { resourceType: "Patient", id, method: "GET" };
    const everything = await fhir.operation({ ...of, name: "everything" });
    assert.deepEqual(entries(everything).map((one) => one.resourceType).sort(), ["Observation", "Patient"]);
    const computed = await fhir.operation({ ...of, name: "goal-attainment" });
    assert.equal(computed.resourceType, "Parameters");
  },
};

const results = {};
for (const [name, step] of Object.entries(steps)) {
  results[name] = await step().then(
    () => "",
    (error) => `${error.message} ${JSON.stringify(error.response?.data ?? "")}`,
  );
}
console.log(JSON.stringify(results));
