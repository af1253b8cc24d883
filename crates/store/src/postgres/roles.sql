-- What the migrations stand on: three roles and a schema. Run by whoever connects first and may; a
-- server that lets nobody make roles gets these statements from its administrator instead.
DO $$
DECLARE
    part text;
BEGIN
    FOREACH part IN ARRAY ARRAY['counterfoil_owner', 'counterfoil_service', 'counterfoil_reader'] LOOP
        IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = part) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', part);
            EXCEPTION
                -- Roles belong to all databases of a server: another one made it at this moment.
                WHEN duplicate_object OR unique_violation THEN NULL;
            END;
        END IF;
        IF NOT pg_has_role(part, 'MEMBER') THEN
            EXECUTE format('GRANT %I TO CURRENT_USER', part);
        END IF;
    END LOOP;
    -- Whoever may work as the service may work as one who only reads.
    IF NOT pg_has_role('counterfoil_service', 'counterfoil_reader', 'MEMBER') THEN
        BEGIN
            GRANT counterfoil_reader TO counterfoil_service;
        EXCEPTION
            WHEN unique_violation THEN NULL;
        END;
    END IF;
    IF to_regnamespace('counterfoil') IS NULL THEN
        CREATE SCHEMA counterfoil AUTHORIZATION counterfoil_owner;
        GRANT USAGE ON SCHEMA counterfoil TO counterfoil_service;
    END IF;
END
$$;
