-- What a row of evidence says, and the hash of the content, sealed under the client's key: by it the row is
-- held to what was uploaded, and a document is opened that no event names. Rows from before have none.
ALTER TABLE evidence ADD COLUMN sealed_hash bytea CHECK (octet_length(sealed_hash) = 48);

-- A row goes with its client, and not before.
CREATE FUNCTION refuse_while_client_is_kept() RETURNS trigger LANGUAGE plpgsql SET search_path FROM CURRENT AS $$
BEGIN
    IF EXISTS (SELECT 1 FROM person p WHERE p.firm = OLD.firm AND p.person = OLD.person) THEN
        RAISE EXCEPTION 'evidence goes with its client' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN OLD;
END
$$;

CREATE TRIGGER goes_with_its_client BEFORE DELETE ON evidence
    FOR EACH ROW EXECUTE FUNCTION refuse_while_client_is_kept();
CREATE TRIGGER is_never_deleted BEFORE DELETE ON log_head
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON log_head
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- Every firm that has an event, as its owner sees it: the service sees events of the firm it names alone, and
-- a firm whose head was taken away has to be found without its name. Says no more than log_head does.
CREATE FUNCTION logged_firms() RETURNS SETOF uuid LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path FROM CURRENT AS $$
    WITH RECURSIVE logged (firm) AS (
        (SELECT e.firm FROM event e ORDER BY e.firm LIMIT 1)
        UNION ALL
        SELECT n.firm FROM logged l CROSS JOIN LATERAL
            (SELECT e.firm FROM event e WHERE e.firm > l.firm ORDER BY e.firm LIMIT 1) n
    )
    SELECT l.firm FROM logged l
$$;
REVOKE EXECUTE ON FUNCTION logged_firms() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION logged_firms() TO counterfoil_service, counterfoil_reader;
