import type { Finding } from '@afterwatt/detect';
import type { IncidentText } from '@afterwatt/store';

/** A finding in the form in which an incident is stored. */
export function incidentText(finding: Finding): IncidentText {
  const { words, evidence } = finding;
  return {
    priority: finding.priority,
    confidence: finding.confidence,
    chattering: finding.chattering,
    headline: words.headline,
    explanation: words.explanation,
    steps: words.steps,
    caution: words.caution,
    homeowner: words.homeowner,
    facts: finding.facts,
    evidence: {
      from: new Date(evidence.fromMs).toISOString(),
      to: new Date(evidence.toMs).toISOString(),
      series: evidence.series,
      figures: [...evidence.figures],
    },
  };
}
