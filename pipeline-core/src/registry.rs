//! Stage names and their kinds.

use crate::job::near;
use crate::plugin::Policy;
use crate::stage::StageKind;
use std::sync::Arc;

/// Every stage that a job may name, in the order of the reference page.
#[derive(Clone, Default)]
pub struct Registry {
    kinds: Vec<Arc<dyn StageKind>>,
    /// What is allowed to plug-ins that a job names.
    pub plugins: Policy,
}

impl Registry {
    /// A registry of the kinds given.
    ///
    /// # Errors
    /// The name that stands twice.
    pub fn new(kinds: Vec<Arc<dyn StageKind>>) -> Result<Self, String> {
        let mut registry = Self::default();
        registry.add(kinds)?;
        Ok(registry)
    }

    /// Adds kinds, such as those of a plug-in.
    ///
    /// # Errors
    /// The name that stands twice.
    pub fn add(&mut self, kinds: Vec<Arc<dyn StageKind>>) -> Result<(), String> {
        for kind in kinds {
            let name = kind.spec().name;
            if self.get(name).is_some() {
                return Err(format!("two stages are called `{name}`"));
            }
            self.kinds.push(kind);
        }
        Ok(())
    }

    /// The kind with a name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Arc<dyn StageKind>> {
        self.kinds.iter().find(|k| k.spec().name == name)
    }

    /// All kinds in order.
    pub fn kinds(&self) -> impl Iterator<Item = &Arc<dyn StageKind>> {
        self.kinds.iter()
    }

    /// What was probably meant by an unknown name.
    #[must_use]
    pub fn hint(&self, name: &str) -> String {
        near::hint(name, self.kinds.iter().map(|k| k.spec().name))
    }
}
