"""From figures to grades: limits, the decision rule, reasons and what they point to."""
