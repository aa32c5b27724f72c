"""What the next hours will probably do, and what that means for a film or a coat.

Door: `draws.py`. May import: rules, rules.air, rules.spec.
"""
