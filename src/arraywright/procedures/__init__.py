"""One function per thing a person does: it reads, computes, records and reports."""
