"""What survives a power cut: ledger, library, receipts, captures and the steps at the end of a transfer."""
