-- The login that serves: it owns nothing, and `counterfoil migrate --serving desk` gives it the one role it
-- needs. Run once, when the data folder is made; on one that is there already, run it by psql as the owner.
\set password `cat /run/secrets/desk-password`
CREATE ROLE desk LOGIN PASSWORD :'password';
