-- What the last event of each log says it was recorded at: no later one says earlier.
ALTER TABLE log_head ADD COLUMN recorded_at INTEGER NOT NULL DEFAULT 0;
UPDATE log_head SET recorded_at = COALESCE((SELECT e.recorded_at FROM event e
    WHERE e.firm = log_head.firm AND e.position = log_head.position), 0);
