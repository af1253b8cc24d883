-- What the last event of each log says it was recorded at: no later one says earlier.
ALTER TABLE log_head ADD COLUMN recorded_at timestamptz NOT NULL DEFAULT 'epoch';
UPDATE log_head h SET recorded_at = e.recorded_at FROM event e
    WHERE e.firm = h.firm AND e.position = h.position;
