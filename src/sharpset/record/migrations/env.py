"""Run the migrations on the connection that sharpset.record.schema hands over."""

from alembic import context

from sharpset.record.models import Base

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
context.run_migrations()
