-- Whoever only reads: a read replica, and the source of a move. It sees what the service sees, behind
-- the same fence between firms, and may change nothing, not even on a replica that was promoted.
--
-- The partitions of a table have no fence of their own, so they are granted to nobody: a reader asks
-- the table they are of.
GRANT USAGE ON SCHEMA counterfoil TO counterfoil_reader;
GRANT SELECT ON log_head, _sqlx_migrations TO counterfoil_reader;

DO $$
DECLARE
    fenced text;
BEGIN
    FOR fenced IN SELECT tablename FROM pg_policies
        WHERE schemaname = 'counterfoil' AND policyname = 'of_named_firm' ORDER BY tablename LOOP
        EXECUTE format('GRANT SELECT ON %I TO counterfoil_reader', fenced);
        EXECUTE format('ALTER POLICY of_named_firm ON %I TO counterfoil_service, counterfoil_reader',
            fenced);
    END LOOP;
END
$$;
