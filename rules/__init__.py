"""The rule language, its engine and the rule sets. Pure: no input or output, no clock."""
