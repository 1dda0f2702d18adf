// One incident as a line of the schedule: a sentence first, and behind it why, what it rests on, and what to do.

import { element } from './dom.js';
import { fullTimeText, spanText, timeText } from './wording.js';

const TYPES = {
  raised: 'Raised',
  updated: 'Brought up to date',
  cleared: 'Cleared',
  acknowledged: 'Acknowledged',
  shelved: 'Shelved',
  unshelved: 'Taken off the shelf',
  note: 'Note',
  mended: 'Said to be mended',
};

/**
 * @param incident as the API gives it
 * @param onAcknowledge called when the reader says that they have seen it; undefined where they may not
 */
export function incidentEntry(incident, onAcknowledge) {
  const isActive = incident.state === 'active';
  const isUrgent = isActive && (incident.priority === 'critical' || incident.priority === 'high');
  const classes = ['entry', isUrgent ? 'urgent' : '', isActive ? '' : 'cleared'].filter(
    (name) => name !== '',
  );
  const isTold = incident.explanation === null;
  const words = [
    // A word of the trade, which tells a homeowner nothing.
    isTold && isActive
      ? undefined
      : element('span', { class: 'priority' }, isActive ? incident.priority : 'cleared'),
    element('span', { class: 'headline' }, incident.headline),
    element('span', { class: 'since aside' }, ...sinceText(incident)),
  ];
  // A homeowner is told one sentence; there is nothing behind it.
  const line = isTold
    ? element('div', { class: 'row' }, ...words)
    : element(
        'details',
        {},
        element('summary', { class: 'row' }, ...words),
        detailOf(incident, isActive ? onAcknowledge : undefined),
      );
  return element('li', { class: classes.join(' '), id: `incident-${incident.id}` }, line);
}

function sinceText(incident) {
  const onset = new Date(incident.onsetAt);
  if (incident.state === 'active') {
    const seen = incident.acknowledgedAt === null ? '' : ', acknowledged';
    const shelved =
      incident.shelvedUntil === null ? '' : `, shelved until ${timeText(new Date(incident.shelvedUntil))}`;
    return ['since ', timeOf(onset), ` (${spanText(Date.now() - onset.getTime())})${seen}${shelved}`];
  }
  const cleared = new Date(incident.clearedAt);
  return [timeOf(onset), ', for ', spanText(cleared.getTime() - onset.getTime())];
}

function detailOf(incident, onAcknowledge) {
  const sure = `${Math.round(incident.confidence * 100)} % sure.`;
  return element(
    'div',
    { class: 'detail' },
    element('p', {}, `${incident.explanation} `, element('span', { class: 'aside' }, sure)),
    incident.caution === null
      ? undefined
      : element('p', { class: 'caution' }, element('strong', {}, 'Caution. '), incident.caution),
    incident.steps.length === 0
      ? undefined
      : element(
          'div',
          {},
          element('h3', {}, 'What to do'),
          element('ol', {}, ...incident.steps.map((step) => element('li', {}, step))),
        ),
    figuresTable(incident.evidence),
    element(
      'div',
      {},
      element('h3', {}, 'History'),
      element(
        'ul',
        { class: 'history' },
        ...incident.history.map((transition) => element('li', {}, ...historyText(transition))),
      ),
    ),
    onAcknowledge !== undefined && incident.acknowledgedAt === null
      ? acknowledgeLine(onAcknowledge)
      : undefined,
  );
}

function figuresTable(evidence) {
  const from = new Date(evidence.from);
  const to = new Date(evidence.to);
  const rows = evidence.figures.map((figure) =>
    element(
      'tr',
      {},
      element(
        'th',
        { scope: 'row' },
        figure.label,
        element('span', { class: 'source aside' }, figure.source),
      ),
      element('td', {}, figureText(figure)),
    ),
  );
  const window = ['Decided on readings from ', timeOf(from), ' to ', timeOf(to), '.'];
  return element(
    'div',
    {},
    element('h3', {}, 'Evidence'),
    element('p', { class: 'aside' }, ...window),
    rows.length === 0 ? undefined : element('table', {}, element('tbody', {}, ...rows)),
  );
}

/** '−840 W': with the sign that is as wide as a plus. */
function figureText({ value, unit }) {
  return `${String(value).replace(/^-/, '\u2212')} ${unit}`.trim();
}

function historyText({ type, at, eventAt, by, note }) {
  const said = note === null ? '' : `: ${note}`;
  return [timeOf(new Date(eventAt ?? at)), ` ${TYPES[type] ?? type} by ${by}${said}`];
}

function acknowledgeLine(onAcknowledge) {
  const button = element('button', { type: 'button' }, 'Acknowledge');
  const problem = element('p', { class: 'problem', role: 'alert' });
  let asking = false;
  button.addEventListener('click', async () => {
    // Not `disabled`: that would take the keyboard away from here.
    if (asking) return;
    asking = true;
    problem.textContent = '';
    try {
      await onAcknowledge();
    } catch (error) {
      problem.textContent = `That did not work: ${error.message}`;
    } finally {
      asking = false;
    }
  });
  return element('div', {}, button, problem);
}

function timeOf(at) {
  return element('time', { datetime: at.toISOString(), title: fullTimeText(at) }, timeText(at));
}
