"""What every endpoint shares: units, fields, schemas, problem details, bodies, answers, caching."""
