"""Steps from one version of the schema to the next, run by Alembic."""
