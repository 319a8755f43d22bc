"""The blade ledger: ``events`` as they were written, ``fold`` what they mean, ``rows`` in and out of CSV."""
