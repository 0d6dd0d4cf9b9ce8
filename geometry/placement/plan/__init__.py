"""The correction plan of a section: which slabs to touch and by how much, and in which order.

The solver is heavy to import, so nothing is gathered here: `planning.plan_section` makes a `section_plan.SectionPlan`,
`order.work_list` puts it in order.
"""
