// The console's first page: sign in, then the incidents, grouped by site, as they come and go.

import { ApiProblem, call } from './api.js';
import { openConnection } from './connection.js';
import { byId, element } from './dom.js';
import { incidentEntry } from './incident-entry.js';
import { countText, spanText, timeText } from './wording.js';

const PAGE = 100;

/** Incidents by id, as last heard. */
const incidents = new Map();
let session;
let next = null;
let closeConnection = () => {};
let connection = { state: 'connecting', why: [], heardAt: new Date() };

byId('sign-in-form').addEventListener('submit', async (event) => {
  event.preventDefault();
  const field = byId('token');
  const problem = byId('sign-in-error');
  problem.textContent = '';
  try {
    session = await call('POST', '/v1/session', { token: field.value.trim() });
    field.value = '';
    await showIncidents();
  } catch (error) {
    problem.textContent =
      error.status === 401
        ? 'This token is not known. Check that it is complete.'
        : `Not signed in: ${error.message}`;
    field.focus();
  }
});

byId('sign-out').addEventListener('click', async () => {
  await call('DELETE', '/v1/session').catch(() => {});
  showSignIn();
});

byId('with-cleared').addEventListener('change', () => void load());
byId('older').addEventListener('click', () => void loadOlder());
setInterval(showConnection, 1_000);

try {
  session = await call('GET', '/v1/session');
  await showIncidents();
} catch {
  showSignIn();
}

function showSignIn() {
  closeConnection();
  incidents.clear();
  byId('list').replaceChildren();
  byId('incidents').hidden = true;
  byId('who').hidden = true;
  byId('sign-in').hidden = false;
  byId('token').focus();
}

async function showIncidents() {
  byId('sign-in').hidden = true;
  byId('incidents').hidden = false;
  byId('who').hidden = false;
  const { name, role } = session;
  byId('who-name').textContent = name === role ? name : `${name}, ${role}`;
  byId('incidents-title').textContent = role === 'homeowner' ? 'Your backup' : 'Incidents';
  // The stream first: what happens while the list is read is not missed.
  closeConnection = openConnection({
    heard: hear,
    changed(now) {
      connection = now;
      showConnection();
    },
    gone: showSignIn,
  });
  await load();
}

async function load() {
  const list = byId('list');
  list.setAttribute('aria-busy', 'true');
  list.replaceChildren(element('p', { class: 'notice' }, 'Reading the incidents …'));
  incidents.clear();
  await take(undefined, list);
}

async function loadOlder() {
  byId('older').disabled = true;
  await take(next, byId('list'));
  byId('older').disabled = false;
}

/** Reads a page and shows all that is known then. */
async function take(cursor, list) {
  try {
    const query = new URLSearchParams({ limit: String(PAGE) });
    if (!byId('with-cleared').checked) query.set('state', 'active');
    if (cursor !== undefined) query.set('cursor', cursor);
    const page = await call('GET', `/v1/incidents?${query}`);
    next = page.next;
    for (const incident of page.items) remember(incident);
    list.setAttribute('aria-busy', 'false');
    showList();
  } catch (error) {
    if (error instanceof ApiProblem && error.status === 401) return showSignIn();
    const again = element('button', { type: 'button' }, 'Try again');
    again.addEventListener('click', () => void load());
    const sentence = `The incidents could not be read: ${error.message}`;
    list.setAttribute('aria-busy', 'false');
    list.replaceChildren(
      element('div', { class: 'notice' }, element('p', { class: 'problem' }, sentence), again),
    );
  }
}

/** What the stream told may be newer than the page that was just read: history only grows. */
function remember(incident) {
  const known = incidents.get(incident.id);
  if (known !== undefined && known.history.length > incident.history.length) return;
  incidents.set(incident.id, incident);
}

function hear({ transition, ...incident }) {
  const isShown = incidents.has(incident.id);
  if (incident.state === 'cleared' && !isShown && !byId('with-cleared').checked) return;
  remember(incident);
  if (byId('list').getAttribute('aria-busy') === 'false') showList();
  const said = { raised: 'New', cleared: 'Cleared' }[transition.type];
  if (said !== undefined)
    byId('news').textContent = `${said} at ${siteNameOf(incident)}: ${incident.headline}`;
}

function showList() {
  const list = byId('list');
  const ordered = [...incidents.values()].sort(
    (a, b) => b.raisedAt.localeCompare(a.raisedAt) || a.id.localeCompare(b.id),
  );
  const groups = Map.groupBy?.(ordered, siteKeyOf) ?? groupBy(ordered, siteKeyOf);
  const kept = keepPlace(list);
  list.replaceChildren(...(ordered.length === 0 ? [emptyNotice()] : [...groups.values()].map(siteSection)));
  kept();
  byId('older-line').hidden = next === null;
  const standing = ordered.filter(({ state }) => state === 'active');
  const sites = new Set(standing.map(siteKeyOf)).size;
  const more = next === null ? '' : ' or more';
  byId('count').hidden = session.role === 'homeowner';
  byId('count').textContent =
    standing.length === 0
      ? 'None stands.'
      : `${standing.length}${more} ${standing.length === 1 ? 'stands' : 'stand'} at ${countText(sites, 'site', 'sites')}.`;
}

/** @returns what puts back which entries were open, and where the keyboard was */
function keepPlace(list) {
  const open = [...list.querySelectorAll('details[open]')].map((details) => details.parentElement.id);
  const focused = list.contains(document.activeElement)
    ? document.activeElement.closest('.entry')?.id
    : undefined;
  return () => {
    for (const id of open) document.getElementById(id)?.querySelector('details')?.setAttribute('open', '');
    if (focused !== undefined) document.getElementById(focused)?.querySelector('summary')?.focus();
  };
}

function siteSection(group) {
  const [first] = group;
  const name = siteNameOf(first);
  const heading =
    first.site === null || first.site === name
      ? element('h2', {}, name)
      : element('h2', {}, name, ' ', element('span', { class: 'id aside' }, first.site));
  const acknowledge = (incident) =>
    session.role === 'homeowner'
      ? undefined
      : async () => {
          remember(await call('POST', `/v1/incidents/${incident.id}/acknowledge`));
          showList();
        };
  const entries = group.map((incident) => incidentEntry(incident, acknowledge(incident)));
  return element('section', { class: 'site' }, heading, element('ul', { class: 'entries' }, ...entries));
}

function emptyNotice() {
  const sentence =
    session.role === 'homeowner'
      ? 'There is nothing to tell: no fault of your backup is known.'
      : 'No incident stands. New ones appear here by themselves.';
  return element('p', { class: 'notice' }, sentence);
}

function showConnection() {
  const { state, why, heardAt } = connection;
  const ago = spanText(Date.now() - heardAt.getTime());
  const detail = session?.role === 'operator' ? ` (${why.join('; ')})` : '';
  const words = {
    connecting: 'Connecting …',
    live: 'Live.',
    lost: `No connection since ${timeText(heardAt)}. Trying again.`,
    stale: `New readings are not being judged at the moment${detail}.`,
  }[state];
  const status = byId('connection');
  // Said again only when it changes, or a screen reader would never be quiet.
  if (status.textContent !== words) status.textContent = words;
  status.classList.toggle('problem', state === 'lost' || state === 'stale');
  byId('heard').textContent = state === 'connecting' ? '' : `Last heard ${ago} ago.`;
}

function siteKeyOf({ site }) {
  return site ?? '';
}

function siteNameOf({ site, siteName }) {
  return siteName ?? site ?? 'Many sites';
}

/** For browsers that do not have Map.groupBy yet. */
function groupBy(items, keyOf) {
  const groups = new Map();
  for (const item of items) groups.set(keyOf(item), [...(groups.get(keyOf(item)) ?? []), item]);
  return groups;
}
