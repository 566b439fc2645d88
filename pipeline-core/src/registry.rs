//! Stage names and their kinds.

use crate::plugin::{PluginHost, Policy};
use crate::stage::StageKind;
use pipeline_base::near;
use pipeline_base::place::Locality;
use pipeline_base::table::schema::Frame;
use std::sync::Arc;

/// How far apart in metres two references are at the place of the work, in words; core itself knows no geodesy.
pub type SizeOf = fn(&Frame, &Frame, Option<Locality>) -> Option<String>;

/// Every stage that a job may name, in the order of the reference page.
#[derive(Clone, Default)]
pub struct Registry {
    kinds: Vec<Arc<dyn StageKind>>,
    /// What is allowed to plug-ins that a job names.
    pub plugins: Policy,
    plugin_host: Option<Arc<dyn PluginHost>>,
    size_of: Option<SizeOf>,
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

    /// The same registry, which can tell how far apart two references are.
    #[must_use]
    pub fn with_sizes(mut self, size_of: SizeOf) -> Self {
        self.size_of = Some(size_of);
        self
    }

    /// The same registry, with what opens plug-ins.
    #[must_use]
    pub fn with_plugin_host(mut self, host: Arc<dyn PluginHost>) -> Self {
        self.plugin_host = Some(host);
        self
    }

    /// What opens plug-ins; `None` where the program was built without.
    #[must_use]
    pub fn plugin_host(&self) -> Option<Arc<dyn PluginHost>> {
        self.plugin_host.clone()
    }

    /// How far apart two references are, in words.
    #[must_use]
    pub fn size_between(&self, a: &Frame, b: &Frame, place: Option<Locality>) -> Option<String> {
        self.size_of.and_then(|f| f(a, b, place))
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
