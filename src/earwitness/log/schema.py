"""The tables, as numbered steps that SQLite and PostgreSQL both take; a step once released is never edited.

Types are those both databases understand: times are integer nanoseconds UTC (BIGINT), figures DOUBLE
PRECISION, yes/no SMALLINT, JSON is ASCII TEXT (so that NUL and lone surrogates from the air pass through
either database unharmed). Foreign keys are checked at commit, so rows of one batch come in any order.
"""

from __future__ import annotations

MIGRATIONS: tuple[tuple[int, str], ...] = (
    (
        1,
        """
CREATE TABLE recording (
  id TEXT PRIMARY KEY, content_id TEXT NOT NULL UNIQUE, name TEXT, path TEXT, rate_hz DOUBLE PRECISION,
  center_hz DOUBLE PRECISION, start_ns BIGINT NOT NULL, stop_ns BIGINT, receiver TEXT, antenna TEXT,
  place TEXT, latitude_deg DOUBLE PRECISION, longitude_deg DOUBLE PRECISION, height_m DOUBLE PRECISION,
  extra TEXT NOT NULL);

CREATE TABLE survey (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id), number BIGINT NOT NULL,
  software TEXT, settings_hash TEXT NOT NULL, settings TEXT NOT NULL, partial SMALLINT NOT NULL,
  started_ns BIGINT NOT NULL, finished_ns BIGINT, complete SMALLINT, extra TEXT NOT NULL,
  UNIQUE (recording, number));

CREATE TABLE evidence (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  kind TEXT NOT NULL, subject TEXT, path TEXT NOT NULL, bytes BIGINT NOT NULL, start_ns BIGINT,
  stop_ns BIGINT, frequency_hz DOUBLE PRECISION, snr_db DOUBLE PRECISION, identity TEXT, channel TEXT,
  keep SMALLINT NOT NULL, stored_ns BIGINT NOT NULL, removed_ns BIGINT, removed_reason TEXT,
  extra TEXT NOT NULL);
CREATE INDEX evidence_subject ON evidence (subject);
CREATE INDEX evidence_recording ON evidence (recording);
CREATE INDEX evidence_channel ON evidence (channel);

CREATE TABLE emission (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  start_ns BIGINT NOT NULL, stop_ns BIGINT NOT NULL, frequency_hz DOUBLE PRECISION NOT NULL,
  frequency_uncertainty_hz DOUBLE PRECISION, occupied_bandwidth_hz DOUBLE PRECISION,
  level_dbfs DOUBLE PRECISION, snr_db DOUBLE PRECISION, class TEXT NOT NULL, designator TEXT,
  symbol_rate_hz DOUBLE PRECISION, deviation_hz DOUBLE PRECISION, mode TEXT, confidence DOUBLE PRECISION,
  reasons TEXT NOT NULL, artefact TEXT, label TEXT,
  evidence_id TEXT REFERENCES evidence (id) DEFERRABLE INITIALLY DEFERRED,
  burst_count BIGINT, duty DOUBLE PRECISION, extra TEXT NOT NULL);
CREATE INDEX emission_start ON emission (start_ns);
CREATE INDEX emission_frequency ON emission (frequency_hz, start_ns);
CREATE INDEX emission_recording ON emission (recording);

CREATE TABLE identity (
  id TEXT PRIMARY KEY, kind TEXT NOT NULL, key TEXT NOT NULL, first_seen_ns BIGINT NOT NULL,
  last_seen_ns BIGINT NOT NULL, message_count BIGINT NOT NULL,
  latitude_deg DOUBLE PRECISION, longitude_deg DOUBLE PRECISION, position_ns BIGINT,
  UNIQUE (kind, key));

CREATE TABLE identity_name (
  identity TEXT NOT NULL REFERENCES identity (id), name TEXT NOT NULL, first_seen_ns BIGINT NOT NULL,
  last_seen_ns BIGINT NOT NULL, PRIMARY KEY (identity, name));

CREATE TABLE identity_flag (
  identity TEXT NOT NULL REFERENCES identity (id), flag TEXT NOT NULL, first_seen_ns BIGINT NOT NULL,
  last_seen_ns BIGINT NOT NULL, PRIMARY KEY (identity, flag));

CREATE TABLE message (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  time_ns BIGINT NOT NULL, stop_ns BIGINT, frequency_hz DOUBLE PRECISION, mode TEXT NOT NULL,
  payload_hex TEXT NOT NULL, payload_bits BIGINT NOT NULL, check_result TEXT NOT NULL, check_name TEXT,
  corrected_bits BIGINT NOT NULL, snr_db DOUBLE PRECISION, level_dbfs DOUBLE PRECISION,
  kind TEXT NOT NULL, fields TEXT NOT NULL,
  identity TEXT REFERENCES identity (id) DEFERRABLE INITIALLY DEFERRED,
  emission_id TEXT REFERENCES emission (id) DEFERRABLE INITIALLY DEFERRED,
  evidence_id TEXT REFERENCES evidence (id) DEFERRABLE INITIALLY DEFERRED,
  flags TEXT NOT NULL, latitude_deg DOUBLE PRECISION, longitude_deg DOUBLE PRECISION, extra TEXT NOT NULL);
CREATE INDEX message_time ON message (time_ns);
CREATE INDEX message_identity ON message (identity, time_ns);
CREATE INDEX message_emission ON message (emission_id);
CREATE INDEX message_recording ON message (recording);

CREATE TABLE mention (
  row_id TEXT NOT NULL, identity TEXT NOT NULL REFERENCES identity (id), time_ns BIGINT NOT NULL,
  PRIMARY KEY (row_id, identity));
CREATE INDEX mention_identity ON mention (identity, time_ns);

CREATE TABLE voice_over (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  start_ns BIGINT NOT NULL, stop_ns BIGINT NOT NULL, frequency_hz DOUBLE PRECISION NOT NULL,
  class TEXT NOT NULL, tone TEXT,
  emission_id TEXT REFERENCES emission (id) DEFERRABLE INITIALLY DEFERRED,
  identity TEXT REFERENCES identity (id) DEFERRABLE INITIALLY DEFERRED, talkgroup TEXT,
  encrypted SMALLINT, mode TEXT NOT NULL, snr_db DOUBLE PRECISION,
  evidence_id TEXT REFERENCES evidence (id) DEFERRABLE INITIALLY DEFERRED, extra TEXT NOT NULL);
CREATE INDEX voice_over_start ON voice_over (start_ns);
CREATE INDEX voice_over_emission ON voice_over (emission_id);
CREATE INDEX voice_over_recording ON voice_over (recording);

CREATE TABLE picture (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  start_ns BIGINT NOT NULL, stop_ns BIGINT NOT NULL, frequency_hz DOUBLE PRECISION NOT NULL,
  mode TEXT NOT NULL, width BIGINT, height BIGINT,
  emission_id TEXT REFERENCES emission (id) DEFERRABLE INITIALLY DEFERRED,
  evidence_id TEXT REFERENCES evidence (id) DEFERRABLE INITIALLY DEFERRED, extra TEXT NOT NULL);
CREATE INDEX picture_start ON picture (start_ns);
CREATE INDEX picture_recording ON picture (recording);

CREATE TABLE occupancy (
  id TEXT PRIMARY KEY, recording TEXT NOT NULL REFERENCES recording (id),
  survey TEXT NOT NULL REFERENCES survey (id), first_survey TEXT NOT NULL, superseded_by TEXT,
  start_ns BIGINT NOT NULL, stop_ns BIGINT NOT NULL, frequency_hz DOUBLE PRECISION NOT NULL,
  bandwidth_hz DOUBLE PRECISION, samples BIGINT NOT NULL, occupied BIGINT NOT NULL,
  inflation DOUBLE PRECISION, threshold_db DOUBLE PRECISION, label TEXT, extra TEXT NOT NULL);
CREATE INDEX occupancy_start ON occupancy (start_ns);
CREATE INDEX occupancy_recording ON occupancy (recording);

CREATE TABLE hourly (
  hour_ns BIGINT NOT NULL, mode TEXT NOT NULL, identity TEXT NOT NULL, messages BIGINT NOT NULL,
  PRIMARY KEY (hour_ns, mode, identity));

CREATE TABLE relation (
  id TEXT PRIMARY KEY, a TEXT NOT NULL REFERENCES identity (id), b TEXT NOT NULL REFERENCES identity (id),
  relation TEXT NOT NULL, rule TEXT NOT NULL, first_ns BIGINT NOT NULL, last_ns BIGINT NOT NULL,
  message_id TEXT, undone SMALLINT NOT NULL);
CREATE INDEX relation_a ON relation (a);
CREATE INDEX relation_b ON relation (b);

CREATE TABLE label (
  target TEXT NOT NULL, text TEXT NOT NULL, written_ns BIGINT NOT NULL, PRIMARY KEY (target, text));

CREATE TABLE revision (
  row_id TEXT NOT NULL, survey TEXT NOT NULL REFERENCES survey (id), what TEXT NOT NULL,
  earlier TEXT NOT NULL, PRIMARY KEY (row_id, survey));
CREATE INDEX revision_survey ON revision (survey);
""",
    ),
)
